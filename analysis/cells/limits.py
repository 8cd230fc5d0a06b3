"""How often a cell already ended a charge or a discharge at its limit: what is, beside what is to come."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import median

from analysis.history import History

HIGH_MARGIN_V, LOW_MARGIN_V = 0.03, 0.12
"""Averages of ten seconds stay so far short of a limit that is crossed for a moment. [V]
Common practice, no source."""
RECENT_DAYS = 30
ALONE_V, ALONE_MARGIN_V = 3.42, 0.10
"""Highest voltage of the median cell, load included, in a charge that one cell ended alone; and how far below
the upper limit that cell may have been read: between two readings a minute apart it gets there unseen. [V]"""
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
        Days on which it was near its upper limit and the median cell nowhere near the upper knee.
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
        Most days first, some perhaps with none but `alone`; only the cell that was furthest in a charge or
        discharge counts for it.
    """
    facts = history.facts
    days: dict[tuple[int, bool], list[str]] = {}
    alone: dict[tuple[int, bool], dict[str, None]] = {}
    for digest in history.digests[-RECENT_DAYS:]:
        for one in digest.knees.passes:
            if len(one.extreme_v) != digest.n_cells or not one.extreme_v:
                continue
            high = one.where != "bottom"
            value = max(one.extreme_v) if high else min(one.extreme_v)
            far = high and value >= facts.cell_high_trip_v - ALONE_MARGIN_V
            if far and median(one.extreme_v) < ALONE_V:
                alone.setdefault((one.extreme_v.index(value) + 1, True), {})[digest.day] = None
            if high and value < facts.cell_high_trip_v - HIGH_MARGIN_V:
                continue
            if not high and value > facts.cell_low_trip_v + LOW_MARGIN_V:
                continue
            key = one.extreme_v.index(value) + 1, high
            seen = days.setdefault(key, [])
            if digest.day not in seen:
                seen.append(digest.day)
    found = [
        Reached(
            *key, len(days.get(key, ())), len(alone.get(key, ())), (days.get(key) or list(alone[key]))[-1]
        )
        for key in {**days, **alone}
    ]
    return tuple(sorted(found, key=lambda r: -r.days))
