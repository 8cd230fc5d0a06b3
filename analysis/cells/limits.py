"""How often a cell already ended a charge or a discharge at its limit: what is, beside what is to come."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import median

from analysis.history import History

HIGH_MARGIN_V, LOW_MARGIN_V = 0.03, 0.12
"""Averages of ten seconds stay so far short of a limit that is crossed for a moment. [V]
Common practice, no source."""
RECENT_DAYS = 30
ALONE_V = 3.42
"""Highest voltage of the median cell, load included, in a charge that one cell ended alone. [V]"""
OFTEN = 3
"""On so many of the recent days it is more than an accident. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Reached:
    """Days of the last `RECENT_DAYS` on which a cell came to its limit.

    Attributes
    ----------
    cell : int
        From 1.
    high : bool
        The upper limit; else the lower.
    days : int
    alone : int
        Of them, those on which the median cell was nowhere near the upper knee.
    last : str
        Local date of the last.
    """

    cell: int
    high: bool
    days: int
    alone: int
    last: str

    @property
    def words(self) -> str:
        """As a sentence."""
        end = "ended a charge at the upper" if self.high else "ended a discharge at the lower"
        return (
            f"Cell {self.cell} {end} limit on {self.days} of the last {RECENT_DAYS} days, "
            f"the last time on {self.last}."
        )


def reached(history: History) -> tuple[Reached, ...]:
    """Find the cells that came to their limits lately.

    Parameters
    ----------
    history : History

    Returns
    -------
    tuple of Reached
        Most days first; only the cell that was furthest in a charge or discharge counts for it.
    """
    facts = history.facts
    days: dict[tuple[int, bool], list[str]] = {}
    alone: dict[tuple[int, bool], set[str]] = {}
    for digest in history.digests[-RECENT_DAYS:]:
        for one in digest.knees.passes:
            if len(one.extreme_v) != digest.n_cells or not one.extreme_v:
                continue
            high = one.where != "bottom"
            value = max(one.extreme_v) if high else min(one.extreme_v)
            if high and value < facts.cell_high_trip_v - HIGH_MARGIN_V:
                continue
            if not high and value > facts.cell_low_trip_v + LOW_MARGIN_V:
                continue
            key = one.extreme_v.index(value) + 1, high
            seen = days.setdefault(key, [])
            if high and median(one.extreme_v) < ALONE_V:
                alone.setdefault(key, set()).add(digest.day)
            if digest.day not in seen:
                seen.append(digest.day)
    found = [
        Reached(*key, days=len(seen), alone=len(alone.get(key, ())), last=seen[-1])
        for key, seen in days.items()
    ]
    return tuple(sorted(found, key=lambda r: -r.days))
