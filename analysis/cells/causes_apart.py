"""Causes that concern a whole pack: its cells stand or drift apart at once, and balancing falls behind."""

from __future__ import annotations

from statistics import correlation

from analysis.cells.causes_charge import LEAST_APART, balance_words, closing
from analysis.cells.diagnosis import Diagnosis
from analysis.cells.imbalance import CellImbalance, Imbalance
from analysis.finding import Severity
from analysis.history import History
from analysis.thresholds import Thresholds

SPREADING_MA, SPREADING_TOGETHER = 5.0, 0.7
"""A pack drifts apart when ordinary cells' drifts differ by this, in step with where they stand. [mA], [1]"""
ALIKE = 0.3
"""So large beside the largest one a cell counts among those that mean a pack that drifts apart. [1]"""


def apart(history: History, pack: Imbalance, single: list[Diagnosis], limits: Thresholds) -> Diagnosis | None:
    """Judge whether the whole pack stands or drifts apart, rather than one cell of it.

    Parameters
    ----------
    history : History
    pack : Imbalance
    single : list of Diagnosis
        Leaks and offsets of single cells.
    limits : Thresholds

    Returns
    -------
    Diagnosis or None
        With the cell furthest behind; None if few cells are concerned or balancing is winning.
    """
    sizes = sorted((_weight(d, limits) for d in single), reverse=True)
    least = max(LEAST_APART, len(pack.cells) // 5)
    alike = [s for s in sizes if s > max(ALIKE * sizes[0], 1.0)] if sizes else []
    cells = [c for c in pack.cells if c.top.value is not None]
    if len(alike) < least:
        blamed = {d.cell for d in single}
        if not spreads([c for c in cells if c.cell not in blamed], limits, history.facts.rated_ah):
            return None
    if closing(cells):
        return None
    worst = max(cells, key=lambda c: c.top.value or 0.0)
    high = max(c.top.value or 0.0 for c in cells)
    low = min(c.top.value or 0.0 for c in cells)
    if worst.slope.high is not None and worst.slope.high < 0:
        return None
    level: Severity = "watch" if high - low > 2 * limits["offset_watch"] * history.facts.rated_ah else "note"
    drifts = sorted(c.slope.value for c in cells if c.slope.value is not None)
    evidence = (
        (
            f"For: many cells stand or drift apart at once: at the top they lie from {-high:.1f} to "
            f"{-low:+.1f} Ah of the median cell. That is a pack out of balance, not one bad cell."
        ),
        f"For: with balancing as it is they drift between {drifts[0]:.1f} and {drifts[-1]:.1f} mA.",
        *balance_words(history, pack, worst),
    )
    since = min((d.since for d in single), default=history.digests[0].day)
    return Diagnosis("balancing_behind", worst.cell, since, 0.8, worst.slope, level, evidence)


def spreads(cells: list[CellImbalance], limits: Thresholds, rated_ah: float) -> bool:
    """Whether ordinary cells lie far apart, the further out the faster; not the furthest one alone."""
    pairs = [
        (c.top.value, c.slope.value) for c in cells if c.top.value is not None and c.slope.value is not None
    ]
    pairs = sorted(pairs, key=lambda pair: abs(pair[0]))[:-1]
    if len(pairs) < 2 * LEAST_APART:
        return False
    place, pace = [a for a, _ in pairs], [b for _, b in pairs]
    if (
        max(place) - min(place) < 2 * limits["offset_watch"] * rated_ah
        or max(pace) - min(pace) < SPREADING_MA
    ):
        return False
    return correlation(place, pace) > SPREADING_TOGETHER


def _weight(one: Diagnosis, limits: Thresholds) -> float:
    """Size of a leak or an offset in units of what is watched."""
    value = abs(one.size.value or 0.0)
    if one.kind == "self_discharge":
        return value / limits["leak_watch_ma"]
    return 1.0 + value / 100.0 if one.level != "note" else 0.5
