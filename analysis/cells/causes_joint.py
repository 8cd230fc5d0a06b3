"""Causes that show in proportion to current: a cell of high resistance, or a loose link."""

from __future__ import annotations

import math

import numpy as np

from analysis.cells.diagnosis import TOP_CONFIDENCE, Diagnosis, date_of, level_of, said, share, surety, z_of
from analysis.cells.resistance import CellResistance, Resistance
from analysis.estimate import Estimate
from analysis.finding import SEVERITIES
from analysis.history import History
from analysis.thresholds import Thresholds

RESTLESS = 1.8
"""Day-to-day moves of an excess, of those of the other cells and for its size, that speak for a joint. [1]"""
PRIOR_LINK = -0.4
"""Logarithm of the odds of a link against a cell before anything is seen. [1] Common practice, no source."""
COMES_AND_GOES, FLIPS, RECENT, LEAST = 4.0, 4, 45, 12
"""Day-to-day moves, of those of the other cells, from which an excess is taken to come and go; how often it
has to; the recent days looked at, and how many there must be. [1]"""
WIDER = 3.0
"""The way from its good to its bad days is this much wider than in the other cells: read in steps of
10 mV some move more than others by luck. [1] Common practice, no source."""
STANDS_OUT = 0.05
"""A change began on the first day from which on the excess stays above what it was, by this part of the
median cell's resistance. [1] Common practice, no source."""
LEAST_BEFORE = 5
"""Days before the change that tell what it was."""
A_WEEK = 7.0


def _shape(one: CellResistance, pack: Resistance) -> tuple[float, str]:
    """Odds of a link from slow against prompt excess: a joint has no slow part."""
    if one.slow_ratio.value is None or one.ratio.value is None or one.ratio.value <= 0:
        return 0.0, "Cannot tell the slow part of the resistance: the current varied too little."
    rose = one.change is not None and one.change.size > 0
    base = one.before.value or 0.0 if rose else 0.0
    grown = one.ratio.value - base
    factor = (one.slow_ratio.value - base * pack.slow_factor) / max(grown, 0.02)
    blur = math.hypot(pack.slow_factor_sd, 0.12 * pack.slow_factor / max(grown, 0.02) * 0.5)
    as_cell = ((factor - pack.slow_factor) / blur) ** 2
    as_link = ((factor - 1.0) / max(0.2, 0.5 * blur)) ** 2
    odds = max(-4.0, min(4.0, (as_cell - as_link) / 2))
    words = (
        f"over minutes to hours its excess is {factor:.1f} × the prompt one; "
        f"{pack.slow_factor:.1f} × in the other cells, 1 × in a bare joint"
    )
    return odds, words


def _neighbours(one: CellResistance, pack: Resistance) -> tuple[float, str]:
    if one.ratio.value is None:
        return 0.0, ""
    for other in pack.cells:
        near = abs(other.cell - one.cell) == 1 and other.ratio.value is not None
        if near and (other.ratio.value or 0.0) > 0.5 * one.ratio.value > 0.1:
            return (
                2.5,
                f"For a link: its neighbour, cell {other.cell}, has an excess too, {said(other.ratio, 2)}.",
            )
    return 0.0, ""


def _usual_spread(pack: Resistance, cell: int, days: int) -> float:
    """From the good to the bad days of an ordinary cell; 0 without others. [Ω]"""
    rows = np.array([[p.excess_ohm for p in c.series[-days:]] for c in pack.cells if c.cell != cell])
    if rows.size == 0:
        return 0.0
    low, high = np.nanquantile(rows, (0.15, 0.85), axis=1)
    return float(np.median(high - low))


def intermittent(one: CellResistance, pack: Resistance) -> tuple[float, float] | None:
    """Excess on bad and on good days of a cell whose excess comes and goes; None of one that stays. [Ω]"""
    since = "" if one.change is None else date_of(one.change.at)
    days = np.array([p.excess_ohm for p in one.series[-RECENT:] if p.day >= since])
    days = days[np.isfinite(days)]
    if days.size < LEAST or one.restless < COMES_AND_GOES or pack.median.value is None:
        return None
    bad, good = float(np.quantile(days, 0.85)), float(np.quantile(days, 0.15))
    if bad - good < WIDER * _usual_spread(pack, one.cell, days.size):
        return None
    if int(np.abs(np.diff(days > (bad + good) / 2)).sum()) < FLIPS:
        return None
    return (bad, good) if bad - good > 0.2 * pack.median.value and bad > 2 * max(good, 0.0) else None


def _comes_and_goes(pack: Resistance, one: CellResistance, limits: Thresholds) -> Diagnosis | None:
    """A joint that is bad on some days only: the median day hides it, a cell cannot do it."""
    found = intermittent(one, pack)
    if found is None or pack.median.value is None:
        return None
    bad, good = found
    level = level_of(
        bad / pack.median.value,
        limits["resistance_note"],
        limits["resistance_watch"],
        limits["resistance_act"],
    )
    if level is None:
        return None
    half = 0.25 * bad
    size = Estimate(bad, "Ω", bad - half, bad + 1.2 * half, f"bad days; {pack.basis}", len(one.series))
    evidence = (
        (
            f"For a link: the excess of cell {one.cell} comes and goes, {good * 1e6:.0f} µΩ on good days "
            f"and {bad * 1e6:.0f} µΩ on bad ones; the median cell has {pack.median.value * 1e6:.0f} µΩ."
        ),
        f"For a link: from day to day it moves {one.restless:.0f} × as much as in the other cells.",
    )
    first = next(p.day for p in one.series if p.excess_ohm > (bad + max(good, 0.0)) / 2)
    return Diagnosis("loose_link", one.cell, first, 0.85, size, level, evidence)


def joint(history: History, pack: Resistance, one: CellResistance, limits: Thresholds) -> Diagnosis | None:
    """Judge whether a cell's resistance is too high, and whether the cell or its link is to blame.

    Parameters
    ----------
    history : History
    pack : Resistance
    one : CellResistance
    limits : Thresholds

    Returns
    -------
    Diagnosis or None
    """
    jumpy = _comes_and_goes(pack, one, limits)
    if jumpy is not None:
        return jumpy
    ratio = one.ratio
    if ratio.value is None or ratio.low is None or pack.median.value is None:
        return None
    rose = one.change is not None and one.change.size > 0
    grown = ratio.value - (one.before.value or 0.0) if rose else 0.0
    size = max(ratio.value, 0.0 if one.change is None else one.before.value or 0.0)
    act = limits["resistance_act"]
    levels = [
        level_of(size, limits["resistance_note"], limits["resistance_watch"], act),
        level_of(grown, limits["growth_note"], limits["growth_watch"], act),
    ]
    level = max((x for x in levels if x is not None), key=SEVERITIES.index, default=None)
    ordinary = sorted(abs(c.ratio.value) for c in pack.cells if c.ratio.value is not None)
    usual = ordinary[len(ordinary) // 2] if ordinary else 0.0
    out = ratio.value > 2.5 * usual + 0.05 or grown > 0.12
    if level is None or z_of(ratio) < limits["sure"] or ratio.low < 0.5 * limits["growth_note"] or not out:
        return None
    odds, evidence = PRIOR_LINK, []
    evidence.append(
        f"For: cell {one.cell} has {said(one.excess, 0, 1e6, 'µΩ')} more than the median cell's "
        f"{(pack.median.value or 0) * 1e6:.0f} µΩ, {100 * ratio.value:.0f} % above it; {pack.basis}."
    )
    shape_odds, shape_words = _shape(one, pack)
    odds += shape_odds
    if shape_odds == 0.0:
        evidence.append(shape_words)
    else:
        evidence.append(f"For a {'link' if shape_odds > 0 else 'cell'}: {shape_words}.")
    odds += 0.3 * one.absolute_gain
    if abs(one.absolute_gain) > 1:
        evidence.append(
            "For a link: the excess does not follow the temperature as the cells' own resistance does."
            if one.absolute_gain > 0
            else "For a cell: the excess follows the temperature as the other cells' resistance does."
        )
    jump_odds, jump_words = _jumps(one)
    odds += jump_odds
    evidence.extend(jump_words)
    near_odds, near_words = _neighbours(one, pack)
    odds += near_odds
    if near_words:
        evidence.append(near_words)
    since = history.digests[0].day if one.change is None else _began(one, pack)
    if one.rise is not None and one.rise.slope > 0:
        evidence.append(
            f"It still rises, by {100 * A_WEEK * one.rise.slope:.0f} % of the median cell's resistance "
            "a week; the size is that of the last days."
        )
    link = odds > 0
    confidence = min(TOP_CONFIDENCE, surety(z_of(ratio), limits["sure"]) * share(abs(odds)))
    if abs(odds) < 1:
        evidence.append("Cannot tell yet for certain whether the cell or its link is to blame.")
    return Diagnosis(
        "loose_link" if link else "high_resistance",
        one.cell,
        since,
        confidence,
        one.measured,
        level,
        tuple(evidence),
    )


def _began(one: CellResistance, pack: Resistance) -> str:
    """Local date from which on the excess is above what it was; one that grew did so before its middle."""
    change = one.change
    if change is None or pack.median.value is None:
        return one.series[0].day
    before = [p for p in one.series if p.day < date_of(change.at)]
    if len(before) < LEAST_BEFORE or change.size <= 0:
        return date_of(change.at)
    base = float(np.quantile([p.excess_ohm for p in before], 0.25))
    first = date_of(change.at)
    for p in reversed(before):
        if p.excess_ohm < base + STANDS_OUT * pack.median.value + 2 * p.sigma_ohm:
            break
        first = p.day
    return first


def _jumps(one: CellResistance) -> tuple[float, list[str]]:
    """Odds of a link from how the excess moves in time."""
    odds, words = 0.0, []
    moves = one.restless / (1.0 + 2.0 * max(one.ratio.value or 0.0, 0.0))
    if moves > RESTLESS:
        odds += min(3.0, 1.2 * (moves - 1.5))
        words.append(
            f"For a link: from day to day the excess moves {one.restless:.0f} × as much as in the other "
            f"cells."
        )
    if one.change is not None and one.change.size > 0:
        words.append(
            f"It rose by {100 * one.change.size:.0f} % of the median cell's resistance about "
            f"{date_of(one.change.at)}."
        )
    return odds, words
