"""Causes that show as charge: self-discharge, low capacity, static offset, balancing that falls behind."""

from __future__ import annotations

import math
from dataclasses import replace
from statistics import correlation, median

from analysis.cells.diagnosis import Diagnosis, date_of, level_of, said, sd_of, share, surety, z_of
from analysis.cells.drift import MA_PER_AH_DAY, Drift
from analysis.cells.imbalance import CellImbalance, Imbalance
from analysis.cells.limits import RECENT_DAYS, reached
from analysis.estimate import Estimate
from analysis.history import History
from analysis.thresholds import Thresholds

BEYOND_OTHERS = 3.5
"""An offset or a deficit of one cell stands out when it is so many times the scatter (standard deviation) of
the other cells': cells of one pack differ by a percent in capacity, and are equal at one end only. [1]"""
CERTAIN_BEHIND = 0.85
"""A cell ahead ends charges; of one behind this part of what is watched has to be certain. [1] Practice."""
AHEAD_FRACTION = 0.004
"""A cell that stands ahead by this part of the rated charge and moves towards the others is balanced. [1]"""
SIZE_SURE, DRIFT_SURE = 2.0, 1.5
"""Of a cell far behind the size is vague, yet it leaks: standard deviations of the size that do where the
drift itself is so many times as sure as it has to be. [1]"""
CLOSING_TOGETHER = 0.6
"""A pack comes together when its cells drift against where they stand, as surely as this. [1]"""
LEAST_APART = 3
"""So many cells apart at once are a pack out of balance, not a bad cell."""
KNOWN_BALANCE = 3.0
"""Where the pack tells what it balances, a cell must have stood so many times further ahead to be taken for
one that comes back: the current is known to a quarter. [1] Common practice, no source."""
FASTEST_MA = 100.0
"""A leak may be anything up to that, as likely as not. [mA] Common practice, no source."""
EVEN = 0.5
"""Logarithm of the odds of a drift against standing still from which on it is named. [1]"""
NEW_DAYS, NEW_CONFIDENCE = 12.0, 0.7
"""A drift seen over less time than this may be a cell that settles: no surer than that. [days], [1]"""
SOON_CONFIDENCE = 0.85
"""Nor is one that is only likelier than standing still surer than that. [1]"""
LEAST_ONSET_DAYS = 2.0
"""No beginning is told more closely than this, either way. [days]"""
ALONE_DAYS, ALONE_CONFIDENCE = 10, 0.55
"""On so many of the last 30 days a cell ends charges alone, to be named for that. [days], [1]"""


def leak(
    history: History, pack: Imbalance, one: CellImbalance, limits: Thresholds, *, stands: bool = False
) -> Diagnosis | None:
    """Judge whether a cell loses charge on its own.

    Parameters
    ----------
    history : History
    pack : Imbalance
    one : CellImbalance
    limits : Thresholds
    stands : bool
        Whether the cell is known to stand apart: then the drift need not be sure by itself, only likelier
        than that the cell always stood there, or wholly above what is watched.

    Returns
    -------
    Diagnosis or None
    """
    drift = one.drift
    if drift is None or one.leak.value is None or one.leak.low is None:
        return None
    level = level_of(one.leak.value, limits["leak_note_ma"], limits["leak_watch_ma"], limits["leak_act_ma"])
    z = z_of(one.leak)
    short = drift.span_days < limits["least_days"]
    drifts = z >= limits["sure"] or (z > SIZE_SURE and _shown(drift) > DRIFT_SURE * limits["sure"])
    odds = drift_odds(one)
    likelier = one.leak.low >= limits["leak_watch_ma"] or (odds > EVEN and one.leak.low > 0)
    only_stands = not drifts and stands and likelier
    if level is None or short or not (drifts or only_stands):
        return None
    if drifts and one.leak.low < limits["leak_note_ma"] / 2:
        return None
    if _comes_back(pack, one, AHEAD_FRACTION * history.facts.rated_ah):
        return None
    others = sorted(c.leak.value for c in pack.cells if c.leak.value is not None and c.cell != one.cell)
    evidence = [
        (
            f"For: cell {one.cell} falls behind by {said(one.leak)}, {one.leak.value * 0.024:.2f} Ah a day. "
            f"Basis: {pack.basis}."
        )
    ]
    if others:
        evidence.append(
            f"For: the other cells drift between {others[0]:.1f} and {others[-1]:.1f} mA in the same passes, "
            "so neither temperature nor the current sensor explains it."
        )
    evidence.append(_onset(one))
    evidence.extend(balance_words(history, pack, one))
    if one.at_least_ah is not None and one.top.value is not None and one.at_least_ah > 0.3 * one.top.value:
        evidence.append(
            f"For: in recent charges it stayed on the plateau while the others filled, which alone proves it "
            f"at least {one.at_least_ah:.1f} Ah behind."
        )
    confidence = surety(max(z, z_of(one.slope), _shown(drift)), limits["sure"])
    if pack.balance_source == "none":
        confidence *= 0.97
    if only_stands:
        confidence = min(max(share(odds), NEW_CONFIDENCE), SOON_CONFIDENCE)
    if drift.span_days < NEW_DAYS or only_stands:
        confidence = min(confidence, NEW_CONFIDENCE) if drift.span_days < NEW_DAYS else confidence
        evidence.append(
            f"Against: it was seen over {drift.span_days:.0f} days only; two more weeks tell if it goes on."
        )
    since = one.since or history.digests[0].day
    return Diagnosis("self_discharge", one.cell, since, confidence, one.leak, level, tuple(evidence))


def _comes_back(pack: Imbalance, one: CellImbalance, apart_ah: float) -> bool:
    """Whether a cell stands ahead, or always came back from there and is not behind yet."""
    top, leak = one.top.value, one.leak.value
    if top is None or leak is None or one.drift is None:
        return False
    stood = top - 0.024 * leak * one.drift.span_days
    known = KNOWN_BALANCE if pack.balance_source == "cells" else 1.0
    back = one.since is None and (stood < -known * apart_ah or closing(list(pack.cells)))
    return top < -apart_ah or (back and top < apart_ah)


def closing(cells: list[CellImbalance]) -> bool:
    """Whether the cells that stand out come back to the others, as after delivery: balancing is winning."""
    pairs = [
        (c.top.value, c.slope.value) for c in cells if c.top.value is not None and c.slope.value is not None
    ]
    place, pace = [a for a, _ in pairs], [b for _, b in pairs]
    if len(pairs) < 2 * LEAST_APART or not (any(place) and any(pace)):
        return False
    return correlation(place, pace) < -CLOSING_TOGETHER


def drift_odds(one: CellImbalance) -> float:
    """Logarithm of the odds that a cell which stands apart drifts, against that it always stood there. [1]

    The gain in fit, less what a drift of any size up to `FASTEST_MA` would have gained by chance.
    """
    if one.drift is None or not 0 < sd_of(one.leak) < math.inf:
        return -math.inf
    width = math.sqrt(2 * math.pi) * sd_of(one.leak)
    return 0.5 * _shown(one.drift) ** 2 - math.log(max(FASTEST_MA / width, 1.0))


def scatter_of(values: list[float | None], mine: float) -> float:
    """Standard deviation of the other cells' values, from their median deviation; 0 below five of them."""
    known = [v for v in values if v is not None]
    if mine in known:
        known.remove(mine)
    if len(known) < 5:
        return 0.0
    middle = median(known)
    return 1.4826 * median(abs(v - middle) for v in known)


def _shown(drift: Drift) -> float:
    """How far beyond chance a drift is, whatever its size: by how much it fits better than none. [1]

    Half the root of the gain in fit, since windows are correlated; the size is less sure than that it drifts.
    """
    return 0.5 * math.sqrt(max(drift.flat_loss - min(drift.line_loss, drift.onset_loss), 0.0) / drift.chi2)


def _onset(one: CellImbalance) -> str:
    if one.since is None or one.drift is None:
        return "It has drifted from the first comparison on, as far as these tell."
    at = one.drift.onset_day if one.drift.onset_day is not None else one.drift.onset_low
    first = date_of(min(one.drift.onset_low, at - LEAST_ONSET_DAYS))
    last = date_of(max(one.drift.onset_high, at + LEAST_ONSET_DAYS))
    began = f"It began about {one.since} (between {first} and {last}); before that the cell kept its place."
    if one.drift.ramp:
        return (
            f"{began} It has grown ever since; the size is what it is now, in the mean it was half of that."
        )
    earlier, bend = one.drift.earlier_ah_day, one.drift.bend_day
    if earlier is None or bend is None or one.leak.value is None:
        return began
    changed = "grew" if one.leak.value > earlier * MA_PER_AH_DAY else "slowed down"
    return (
        f"{began} It {changed} about {date_of(bend)}, from {earlier * MA_PER_AH_DAY:.0f} mA; the size is "
        "that of the time since."
    )


def balance_words(history: History, pack: Imbalance, one: CellImbalance) -> list[str]:
    """Say whether balancing keeps up with a drift, as far as that is known."""
    needed = (one.leak.value or 0.0) * 0.024
    possible = pack.balance_possible_h_day * history.facts.balance_a
    if pack.balance_source == "none":
        return [
            (
                "Against: the pack does not report balancing, so what shows is the loss less whatever was "
                "balanced; "
                f"{possible:.2f} Ah a day would have been possible."
            )
        ]
    keeps = one.slope.high is not None and one.slope.high < 0.25 * (one.leak.value or 0.0)
    verdict = "keeps up" if keeps else "does not keep up"
    return [
        (
            f"Balancing {verdict}: {needed:.2f} Ah a day are needed, about {possible:.2f} Ah a day are "
            f"possible "
            f"in the hours at the top; with balancing the cell still drifts by {said(one.slope)}."
        )
    ]


def _or_unlike(deficit: Estimate, unlike_ah: float) -> Estimate:
    """A deficit as unsure as a cell of another graphite would leave it. [Ah]"""
    if deficit.value is None or deficit.low is None or deficit.high is None or unlike_ah <= 0:
        return deficit
    half = math.hypot(0.5 * (deficit.high - deficit.low), 1.96 * unlike_ah)
    return replace(deficit, low=deficit.value - half, high=deficit.value + half)


def deficit(history: History, pack: Imbalance, one: CellImbalance, limits: Thresholds) -> Diagnosis | None:
    """Judge whether a cell is short of capacity.

    Parameters
    ----------
    history : History
    pack : Imbalance
    one : CellImbalance
    limits : Thresholds

    Returns
    -------
    Diagnosis or None
    """
    rated = history.facts.rated_ah
    if one.deficit.value is None or one.drift is None:
        return None
    size = _or_unlike(one.deficit, one.drift.unlike_ah)
    part, low = one.deficit.value / rated, size.low or 0.0
    level = level_of(part, limits["deficit_note"], limits["deficit_watch"], limits["deficit_act"])
    if level == "watch" and low < limits["deficit_note"] * rated:
        level = "note"  # cells of one delivery differ by a percent or two
    z = z_of(size)
    others = scatter_of([c.deficit.value for c in pack.cells], one.deficit.value)
    if level is None or z < limits["sure_deficit"] or low < limits["deficit_note"] * rated / 3:
        return None
    if one.deficit.value < BEYOND_OTHERS * others:
        return None
    evidence = [
        (
            f"For: from the top to empty cell {one.cell} gives {said(size)} less than the median "
            f"cell, "
            f"{100 * part:.1f} % of the rated {rated:.0f} Ah."
        ),
        (
            f"For: it stands {said(one.top)} behind at the top, and {said(one.bottom)} at the lower end: "
            "an offset of charge alone would be the same at both ends."
        ),
    ]
    where = {p.where for p in one.series[-200:]}
    if "bottom" not in where:
        evidence.append(
            "Against: the bank was never discharged to the lower knee; the figure rests on the plateau's own "
            "features, which draw it towards nothing, and is carried on from there: its interval is wide."
        )
    else:
        evidence.append("For: the lower knee itself was reached and compared.")
    since = history.digests[0].day
    return Diagnosis(
        "low_capacity",
        one.cell,
        since,
        surety(z, limits["sure_deficit"]),
        size,
        level,
        tuple(evidence),
    )


def offset(history: History, pack: Imbalance, one: CellImbalance, limits: Thresholds) -> Diagnosis | None:
    """Judge whether a cell merely stands apart.

    Parameters
    ----------
    history : History
    pack : Imbalance
    one : CellImbalance
    limits : Thresholds

    Returns
    -------
    Diagnosis or None
    """
    rated, top = history.facts.rated_ah, one.top
    if top.value is None or top.low is None or top.high is None:
        return None
    level = level_of(abs(top.value) / rated, limits["offset_note"], limits["offset_watch"], math.inf)
    sure = min(abs(top.low), abs(top.high)) if top.low * top.high > 0 else 0.0
    if level is None or abs(z_of(top)) < limits["sure"] or sure < limits["offset_note"] * rated / 2:
        return None
    least = limits["offset_note"] if top.value < 0 else CERTAIN_BEHIND * limits["offset_watch"]
    if level == "watch" and (sure < least * rated or _larger(one)):
        level = "note"  # the next weeks may well show less; or nothing is lost by it
    if abs(top.value) < BEYOND_OTHERS * scatter_of([c.top.value for c in pack.cells], top.value):
        return None
    way = "behind" if top.value > 0 else "ahead of"
    evidence = [
        (
            f"For: at the top cell {one.cell} stands {abs(top.value):.1f} Ah {way} the median cell. "
            f"Basis: {pack.basis}."
        ),
        _place(one, limits),
    ]
    if one.deficit.value is None:
        evidence.append(f"Cannot tell yet whether its capacity differs: {one.deficit.reason}.")
    else:
        same = f"For: the offset is the same at the lower end; the capacity differs by {said(one.deficit)}."
        larger = (
            f"Against: it holds more than the others, by {said(_turned(one.deficit))}, and is not behind at "
            "the lower end: the pack loses nothing by it."
        )
        evidence.append(larger if _larger(one) else same)
    if shrinks(one) and one.slope.value is not None:
        days = abs(top.value / (one.slope.value * 0.024))
        evidence.append(f"Balancing works on it: at the present pace it is gone in about {days:.0f} days.")
    confidence = surety(abs(z_of(top)), limits["sure"])
    if sd_of(one.deficit) > 0.02 * rated:
        confidence = min(confidence, 0.8)
    if one.leak.high is not None and one.leak.high > limits["leak_watch_ma"] and top.value > 0:
        confidence = min(confidence, max(1 - share(drift_odds(one)), 0.5))
    since = history.digests[0].day
    return Diagnosis("static_offset", one.cell, since, confidence, top, level, tuple(evidence))


def _turned(estimate: Estimate) -> Estimate:
    """What is lacking, told as what is there beyond."""
    ends = (None if x is None else -x for x in (estimate.value, estimate.high, estimate.low))
    value, low, high = ends
    return replace(estimate, value=value, low=low, high=high)


def _larger(one: CellImbalance) -> bool:
    """Whether a cell behind at the top is not so at the bottom, since it certainly holds more than others."""
    if one.top.value is None or one.top.value < 0 or one.deficit.high is None or one.bottom.low is None:
        return False
    return one.deficit.high < 0 and one.bottom.low < 0


def shrinks(one: CellImbalance) -> bool:
    """Whether a cell certainly comes back to the others."""
    top, slope = one.top.value, one.slope
    if top is None or slope.value is None or slope.low is None or slope.high is None:
        return False
    return slope.value * top < 0 and slope.low * slope.high > 0


def alone(history: History, pack: Imbalance, known: set[int | None]) -> Diagnosis | None:
    """Judge a cell that ends most charges by itself while the others are on the plateau.

    Parameters
    ----------
    history : History
    pack : Imbalance
    known : set of int
        Cells of which another cause is already told.

    Returns
    -------
    Diagnosis or None
        Of a cell that stands ahead or is smaller: which of the two it cannot tell.
    """
    worst = max(reached(history), key=lambda r: r.alone, default=None)
    if worst is None or worst.alone < ALONE_DAYS or worst.cell in known or worst.cell > len(pack.cells):
        return None
    top = pack.cells[worst.cell - 1].top
    if top.value is None:
        return None
    evidence = (
        (
            f"For: on {worst.alone} of the last {RECENT_DAYS} days cell {worst.cell} came near its upper "
            f"limit in a charge, the last time on {worst.last}, the median cell still on the plateau."
        ),
        "Cannot tell whether the cell stands ahead of the others or is smaller than they: both end a charge.",
    )
    since = history.digests[max(0, len(history.digests) - RECENT_DAYS)].day
    return Diagnosis("static_offset", worst.cell, since, ALONE_CONFIDENCE, top, "watch", evidence)


def _place(one: CellImbalance, limits: Thresholds) -> str:
    """Whether a cell that stands apart stays there, as far as its drift tells."""
    if one.leak.high is not None and one.leak.high > limits["leak_watch_ma"]:
        return f"Cannot tell yet whether it stays there: the drift is {said(one.leak)}. Two more weeks tell."
    return f"For: it keeps its place: the drift is {said(one.leak)}."
