"""Does a source keep the period it was given?"""

from __future__ import annotations

MANY = 20
"""Readings to average over, about."""


class Pace:
    """Running averages of how long a reading takes and how far apart readings are.

    Parameters
    ----------
    period_s : float
        Wanted period. [s]
    """

    def __init__(self, period_s: float) -> None:
        self.period_s = period_s
        self.busy_s: float | None = None
        self.achieved_s: float | None = None
        self._last_s: float | None = None
        self._count = 0

    def note(self, began_s: float, ended_s: float) -> None:
        """Take one reading into the averages: monotonic times of its begin and end. [s]"""
        self.busy_s = _mean(self.busy_s, ended_s - began_s)
        if self._last_s is not None:
            self.achieved_s = _mean(self.achieved_s, ended_s - self._last_s)
        self._last_s = ended_s
        self._count += 1

    def skip(self) -> None:
        """A reading failed: what follows says nothing about the pace."""
        self._last_s = None

    def complaint(self, place: str) -> str | None:
        """One line that says so when the period cannot be kept; None if it is, or it is too early to say."""
        if self._count < MANY // 2 or self.busy_s is None or self.achieved_s is None:
            return None
        if self.busy_s <= self.period_s and self.achieved_s <= 1.1 * self.period_s:
            return None
        possible = max(self.busy_s, self.achieved_s)
        return (
            f"{place}: period_s = {self.period_s:g} cannot be kept: "
            f"readings come every {self.achieved_s:.2f} s, each takes {self.busy_s:.2f} s "
            f"— set period_s = {nice_period_s(possible * 1.1):g}, or raise the baud rate"
        )


def _mean(old: float | None, new: float) -> float:
    return new if old is None else old + (new - old) / MANY


def nice_period_s(period_s: float) -> float:
    """Next larger period that a person would write. [s]"""
    for step in (0.2, 0.5, 1, 2, 3, 5, 10, 15, 20, 30, 60):
        if period_s <= step:
            return step
    return float(round(period_s + 0.5))
