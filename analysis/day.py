"""A cleaned day with its running sums: what observers are given. Made by `analysis.daily.hygiene.clean`."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.facts import PackFacts
from analysis.frame import F64, Bool, Frame


@dataclass(frozen=True, slots=True)
class Mark:
    """An instant of a day with that day's counters at it; sums across days are differences of marks.

    Attributes
    ----------
    time_s : float
        UTC epoch seconds. [s]
    ah_in, ah_out : float
        Charge in and out since the day's start, both ≥ 0. [Ah]
    wh_in, wh_out : float
        Energy in and out since the day's start, both ≥ 0. [Wh]
    covered_s : float
        Time since the day's start over which the sums ran (not across gaps). [s]
    """

    time_s: float
    ah_in: float
    ah_out: float
    wh_in: float
    wh_out: float
    covered_s: float

    @property
    def ah(self) -> float:
        """Net charge since the day's start, positive if charged. [Ah]"""
        return self.ah_in - self.ah_out


@dataclass(frozen=True, slots=True)
class Coverage:
    """What was recorded of a day and what hygiene dropped.

    Attributes
    ----------
    length_s, covered_s : float
        Length of the day, and the part of it between valid neighbouring readings. [s]
    n : int
        Readings kept.
    period_s : float
        Typical interval between readings. [s]
    gaps : tuple of (float, float)
        Start and end of every gap, UTC epoch seconds, the longest 20. [s]
    longest_gap_s : float
    dropped : tuple of (str, int)
        Reason and count, by reason: "duplicate", "backward clock", "stuck", "impossible cell", "spike", …
    """

    length_s: float
    covered_s: float
    n: int
    period_s: float
    gaps: tuple[tuple[float, float], ...]
    longest_gap_s: float
    dropped: tuple[tuple[str, int], ...]

    @property
    def fraction(self) -> float:
        """Covered part of the day, 0–1."""
        return self.covered_s / self.length_s if self.length_s > 0 else 0.0


@dataclass(frozen=True, slots=True)
class CleanDay:
    """A day whose values can be used: impossible ones are NaN, times strictly increase.

    Attributes
    ----------
    frame : Frame
        The cleaned frame (lead-in still first).
    facts : PackFacts
    coverage : Coverage
    dt_s : array, shape (n,)
        Interval from the sample before; 0 for the first sample and across a gap. [s]
    gap : array, shape (n,)
        True where a gap lies between this sample and the one before.
    ah_in, ah_out : array, shape (n,)
        Running sums since the day's start by trapezoid, 0 at and before `frame.start_s`. [Ah]
    wh_in, wh_out : array, shape (n,)
        The same for energy. [Wh]
    covered_s : array, shape (n,)
        Running covered time. [s]
    """

    frame: Frame
    facts: PackFacts
    coverage: Coverage
    dt_s: F64
    gap: Bool
    ah_in: F64
    ah_out: F64
    wh_in: F64
    wh_out: F64
    covered_s: F64

    def mark(self, index: int) -> Mark:
        """Return the counters at one sample."""
        return Mark(
            float(self.frame.time_s[index]),
            float(self.ah_in[index]),
            float(self.ah_out[index]),
            float(self.wh_in[index]),
            float(self.wh_out[index]),
            float(self.covered_s[index]),
        )
