"""Which cause explains a cell best, with what speaks for it and against it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from analysis.estimate import Estimate
from analysis.finding import Kind
from analysis.history import History
from analysis.imbalance import CellImbalance, Imbalance
from analysis.thresholds import Thresholds

TOP_CONFIDENCE = 0.97
"""No diagnosis from voltages and currents alone is surer."""


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """One cause found in one cell.

    Attributes
    ----------
    kind : Kind
    cell : int
        From 1.
    since : str
        Local date.
    confidence : float
        Probability that the kind is right. [1]
    size : Estimate
        How big.
    level : {"note", "watch", "act"}
        By size alone; a forecast may raise it.
    evidence : tuple of str
        For and against, in sentences.
    """

    kind: Kind
    cell: int
    since: str
    confidence: float
    size: Estimate
    level: str
    evidence: tuple[str, ...]


def z_of(estimate: Estimate) -> float:
    """Value over standard deviation; 0 where unknown."""
    if estimate.value is None or estimate.low is None or estimate.high is None:
        return 0.0
    sd = (estimate.high - estimate.low) / 3.92
    return estimate.value / sd if sd > 0 else 0.0


def level_of(value: float, note: float, watch: float, act: float) -> str | None:
    """Return the severity by size, None below `note`."""
    if value >= act:
        return "act"
    if value >= watch:
        return "watch"
    return "note" if value >= note else None


def surety(z: float, least: float) -> float:
    """Confidence from how far a number is beyond chance: 0.6 at the limit, rising with the excess."""
    return min(TOP_CONFIDENCE, 1.0 - 0.4 * math.exp(-(z - least) / 4.0))


def _first_day(history: History) -> str:
    return history.digests[0].day


def _with(estimate: Estimate, digits: int = 1) -> str:
    if estimate.value is None or estimate.low is None or estimate.high is None:
        return f"not known ({estimate.reason})"
    interval = f"95 %: {estimate.low:.{digits}f} to {estimate.high:.{digits}f}"
    return f"{estimate.value:.{digits}f} {estimate.unit} ({interval})"


def leak(history: History, pack: Imbalance, one: CellImbalance, limits: Thresholds) -> Diagnosis | None:
    """Judge whether a cell loses charge.

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
    drift = one.drift
    if drift is None or one.leak.value is None or one.leak.low is None:
        return None
    z = z_of(one.leak)
    level = level_of(one.leak.value, limits["leak_note_ma"], limits["leak_watch_ma"], limits["leak_act_ma"])
    span = drift.span_days
    if (
        level is None
        or z < limits["sure"]
        or span < limits["least_days"]
        or one.leak.low < limits["leak_note_ma"] / 2
    ):
        return None
    others = sorted(c.leak.value for c in pack.cells if c.leak.value is not None and c.cell != one.cell)
    evidence = [
        (
            f"For: cell {one.cell} falls behind the others by {_with(one.leak)}, "
            f"{one.leak.value * 0.024:.2f} Ah a day; {pack.basis}."
        ),
        f"For: the other cells drift between {others[0]:.1f} and {others[-1]:.1f} mA in the same passes."
        if others
        else "The other cells could not be compared.",
    ]
    if one.slope.value is not None and pack.balance_source != "none":
        evidence.append(
            f"Balancing is taken into account: with it the drift that shows is {_with(one.slope)}."
        )
    if one.since is not None:
        evidence.append(f"It began about {one.since}; before that the cell kept its place.")
    confidence = surety(z, limits["sure"])
    if pack.balance_source == "none":
        evidence.append(
            "Against: the pack does not report balancing, so what shows is the leak less what was balanced."
        )
    return Diagnosis(
        "self_discharge",
        one.cell,
        one.since or _first_day(history),
        confidence,
        one.leak,
        level,
        tuple(evidence),
    )


def deficit(history: History, one: CellImbalance, limits: Thresholds) -> Diagnosis | None:
    """Judge whether a cell is short of capacity. Parameters and result as in `leak`."""
    rated = history.facts.rated_ah
    if one.deficit.value is None or one.deficit.low is None:
        return None
    part = one.deficit.value / rated
    level = level_of(part, limits["deficit_note"], limits["deficit_watch"], limits["deficit_act"])
    z = z_of(one.deficit)
    if level is None or z < limits["sure"] or one.deficit.low < limits["deficit_note"] * rated / 2:
        return None
    evidence = (
        (
            f"For: between the top and the lower end cell {one.cell} gives {_with(one.deficit)} less than "
            f"the median cell, {100 * part:.1f} % of the rated {rated:.0f} Ah."
        ),
        f"For: at the top it stands {_with(one.top)} behind, at the lower end {_with(one.bottom)}.",
    )
    return Diagnosis(
        "low_capacity", one.cell, _first_day(history), surety(z, limits["sure"]), one.deficit, level, evidence
    )


def offset(history: History, one: CellImbalance, limits: Thresholds) -> Diagnosis | None:
    """Judge whether a cell merely stands apart. Parameters and result as in `leak`."""
    rated = history.facts.rated_ah
    if one.top.value is None or one.top.low is None or one.top.high is None:
        return None
    size = abs(one.top.value) / rated
    level = level_of(size, limits["offset_note"], limits["offset_watch"], math.inf)
    z = abs(z_of(one.top))
    least = min(abs(one.top.low), abs(one.top.high)) if one.top.low * one.top.high > 0 else 0.0
    if level is None or z < limits["sure"] or least < limits["offset_note"] * rated / 2:
        return None
    way = "behind" if one.top.value > 0 else "ahead of"
    evidence = (
        (
            f"For: at the top cell {one.cell} stands {abs(one.top.value):.1f} Ah {way} the median cell; "
            f"{_with(one.top)}."
        ),
        f"For: it does not move: the drift is {_with(one.leak)}.",
    )
    return Diagnosis(
        "static_offset", one.cell, _first_day(history), surety(z, limits["sure"]), one.top, level, evidence
    )


def diagnose(history: History, pack: Imbalance, limits: Thresholds) -> tuple[Diagnosis, ...]:
    """Decide for every cell.

    Parameters
    ----------
    history : History
    pack : Imbalance
    limits : Thresholds

    Returns
    -------
    tuple of Diagnosis
        At most one of leak and offset a cell, and a deficit beside it.
    """
    found: list[Diagnosis] = []
    for one in pack.cells:
        moving = leak(history, pack, one, limits)
        short = deficit(history, one, limits)
        if moving is not None:
            found.append(moving)
        if short is not None:
            found.append(short)
        if moving is None and short is None:
            apart = offset(history, one, limits)
            if apart is not None:
                found.append(apart)
    return tuple(found)
