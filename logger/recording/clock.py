"""The record's time: the monotonic clock plus one offset a boot, set when the system clock is known.

Rules:

1. Until then readings are *provisional*: stamped after the last one in the record, or by the system clock
   if that is later. When the clock becomes known, `check` says by how much they have to move.
2. Afterwards the record's time never runs backwards. A system clock that is known to be right and ahead
   of the record moves it forward at once (a gap is left); one that is behind slows it by 0.05 % until
   both agree. A step of a system clock that is not known to be right changes nothing.
3. All of it is told as `ClockChange`, to be kept as events.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import IntEnum
from typing import Protocol

SLEW = 5e-4
"""How much the record's time may be slowed or hurried: what the kernel allows itself in adjtime(3)."""
TOLERANCE_MS = 500.0
"""A difference beyond this is a step. [ms]"""
STEADY_MS = 100.0
"""A step counts once it was seen twice, equal within this. [ms]"""
BEHIND_MS = 7_200_000.0
"""A new boot whose known clock is behind the record by less than this goes on after the record's end. [ms]"""


class Trust(IntEnum):
    """Why a clock is believed, weakest first."""

    NONE = 0
    RTC = 1
    USER = 2
    NTP = 3

    @property
    def words(self) -> str:
        """For a message."""
        return ("not known", "the hardware clock", "the configuration's word", "network time")[self]


class TimeSource(Protocol):
    """Where time comes from. `clock_system.SystemTime` is the real one; tests pass their own."""

    def monotonic_s(self) -> float:
        """Seconds since boot, never set. [s]"""
        ...

    def wall_s(self) -> float:
        """System clock. [s UTC]"""
        ...

    def trust(self) -> Trust:
        """Whether the system clock is known to be right, now."""
        ...

    def boot_id(self) -> str:
        """A name of this boot, equal for every process in it."""
        ...


@dataclass(frozen=True, slots=True)
class KeptBoot:
    """What the record holds of a boot: its number, offset [ms] and trust."""

    number: int
    offset_ms: float
    trust: Trust


@dataclass(frozen=True, slots=True)
class ClockChange:
    """Something about the clock that the record has to know.

    Attributes
    ----------
    kind : {"clock_set", "clock_step"}
        Set: the clock became known; this boot's provisional readings move by `shift_ms`. Step: see `detail`.
    shift_ms : int
        How far the record's time moved, forward positive. [ms]
    at_ms : int
        When, in the record's time after the change. [ms UTC]
    detail : str
        One sentence for a person.
    """

    kind: str
    shift_ms: int
    at_ms: int
    detail: str


class Clock:
    """The record's time of one boot.

    Parameters
    ----------
    source : TimeSource
    kept : KeptBoot or None
        What the record already holds of this boot.
    last_ms : int or None
        The newest instant in the record. [ms UTC]
    """

    def __init__(
        self, source: TimeSource, *, kept: KeptBoot | None = None, last_ms: int | None = None
    ) -> None:
        self._source = source
        self._checked_s = source.monotonic_s()
        self._step: float | None = None
        self._told_step: float | None = None
        self._first: ClockChange | None = None
        if kept is not None:
            self.offset_ms, self.trust = kept.offset_ms, kept.trust
        else:
            self._begin(last_ms)

    @property
    def provisional(self) -> bool:
        """Whether stamps may still have to move."""
        return self.trust == Trust.NONE

    def stamp(self, monotonic_s: float) -> int:
        """Return the record's time at a monotonic instant. [ms UTC]"""
        return math.floor(monotonic_s * 1000 + self.offset_ms)

    def now_ms(self) -> int:
        """Return the record's time now. [ms UTC]"""
        return self.stamp(self._source.monotonic_s())

    def difference_ms(self) -> float:
        """Return how far the system clock is ahead of the record. [ms]"""
        return self._system_offset() - self.offset_ms

    def check(self) -> ClockChange | None:
        """Look at the system clock; to be called about every second."""
        if self._first is not None:
            change, self._first = self._first, None
            return change
        now_s = self._source.monotonic_s()
        elapsed_ms, self._checked_s = (now_s - self._checked_s) * 1000, now_s
        trust, ahead = self._source.trust(), self.difference_ms()
        if self.provisional:
            return self._set(trust, ahead) if trust > Trust.NONE else None
        if abs(ahead) > TOLERANCE_MS:
            steady = self._step is not None and abs(ahead - self._step) < STEADY_MS
            self._step = ahead
            if not steady:
                return None
            if trust == Trust.NONE:
                return self._tell(ahead, "but nothing says it is right; the record keeps its own time")
            if ahead > 0:
                return self._forward(trust, ahead)
            self._slew(ahead, elapsed_ms)
            return self._tell(ahead, "the record's time is slowed by 0.05 % until both agree")
        self._step = self._told_step = None
        if trust > Trust.NONE:
            self.trust = max(self.trust, trust)
            self._slew(ahead, elapsed_ms)
        return None

    def _begin(self, last_ms: int | None) -> None:
        """Choose the first offset of a boot the record does not know yet."""
        self.offset_ms, self.trust = self._system_offset(), self._source.trust()
        behind = 0.0 if last_ms is None else last_ms + 1000 - self.now_ms()
        if behind <= 0:
            return
        if self.provisional:
            self.offset_ms += behind
            return
        text = f"the system clock is {_span(behind)} behind the last reading in the record; "
        if behind <= BEHIND_MS:
            self.offset_ms += behind
            text += "the record goes on after it, slowed by 0.05 % until both agree"
        else:
            text += "the clock must have been wrong before"
        self._told_step = -behind
        self._first = ClockChange("clock_step", 0, self.now_ms(), text)

    def _set(self, trust: Trust, ahead: float) -> ClockChange:
        self.offset_ms += ahead
        self.trust = trust
        moved = f"this boot's readings move by {_span(ahead)}" if abs(ahead) >= 1 else "nothing had to move"
        return ClockChange("clock_set", round(ahead), self.now_ms(), f"time known by {trust.words}; {moved}")

    def _forward(self, trust: Trust, ahead: float) -> ClockChange:
        self.offset_ms += ahead
        self.trust = max(self.trust, trust)
        self._step = self._told_step = None
        text = f"the system clock, right by {trust.words}, went ahead by {_span(ahead)}; the record follows"
        return ClockChange("clock_step", round(ahead), self.now_ms(), text)

    def _tell(self, ahead: float, text: str) -> ClockChange | None:
        """Tell of a step once; again only if it grew by more than slewing and drift explain."""
        if self._told_step is not None and abs(ahead) <= abs(self._told_step) + TOLERANCE_MS:
            return None
        self._told_step = ahead
        where = "ahead of" if ahead > 0 else "behind"
        return ClockChange(
            "clock_step", 0, self.now_ms(), f"the system clock is {_span(ahead)} {where} the record; {text}"
        )

    def _slew(self, ahead: float, elapsed_ms: float) -> None:
        most = SLEW * max(elapsed_ms, 0.0)
        self.offset_ms += max(-most, min(most, ahead))

    def _system_offset(self) -> float:
        before = self._source.monotonic_s()
        wall = self._source.wall_s()
        return (wall - (before + self._source.monotonic_s()) / 2) * 1000


class Grid:
    """Places one subject's readings on its period, strictly increasing, so that equal steps stay equal.

    Parameters
    ----------
    period_ms : int
        [ms]
    """

    def __init__(self, period_ms: int) -> None:
        self._period = max(period_ms, 1)
        self._last: int | None = None

    def place(self, time_ms: int) -> int:
        """Return the grid's instant for a reading; within 0.6 of a period of its own. [ms]

        A second reading in the same slot keeps its own instant (or the next free ms): none is lost.
        """
        last = self._last
        slot = (time_ms + self._period // 2) // self._period * self._period
        if last is not None:
            following = last + self._period
            if following % self._period == 0 and abs(time_ms - following) <= 0.6 * self._period:
                slot = following
            if slot <= last:
                slot = max(time_ms, last + 1)
        self._last = slot
        return slot

    def move(self, shift_ms: int) -> None:
        """Follow a change of the clock. [ms]"""
        if self._last is not None:
            self._last += shift_ms


def _span(ms: float) -> str:
    """Return a length of time for a person, without its sign.

    >>> _span(-3_600_000), _span(1500)
    ('1.0 h', '1.5 s')
    """
    seconds = abs(ms) / 1000
    for limit, size, unit in ((120, 1, "s"), (7200, 60, "min"), (172_800, 3600, "h")):
        if seconds < limit and not (unit == "min" and seconds >= 3600):
            return f"{seconds / size:.1f} {unit}"
    return f"{seconds / 86_400:.1f} days"
