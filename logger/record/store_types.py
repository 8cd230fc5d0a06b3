"""What goes into the store and comes out of it, as plain frozen values."""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass

from adapters.base import Subject


def wall_ms() -> int:
    """Return the system clock. [ms UTC]"""
    return time.time_ns() // 1_000_000


@dataclass(frozen=True, slots=True)
class Stamped:
    """A reading with its place in time.

    Attributes
    ----------
    subject : Subject
    time_ms : int
        ms UTC.
    values : mapping of str to int
        Channel name to stored integer.
    provisional : int or None
        Number of the boot while its clock is not known to be right; None once it is.
    """

    subject: Subject
    time_ms: int
    values: Mapping[str, int]
    provisional: int | None = None


@dataclass(frozen=True, slots=True)
class SealedDay:
    """A sealed day without its blob; see `logger.record.chain.DayRecord` for the fields."""

    seq: int
    kind: str
    name: str
    day: str
    revision: int
    supersedes: int | None
    zone: str
    row_count: int
    first_ms: int
    last_ms: int
    sealed_ms: int
    sha256: str
    chain: str


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened.

    Attributes
    ----------
    id : int
    start_ms : int
        ms UTC.
    end_ms : int or None
        None while it lasts.
    kind : str
        "outage", "clock_set", "clock_step", "sealed", "disk_full", …
    subject : str
        Source, pack or "" for the logger itself.
    detail : str
        One sentence for a person.
    count : int
        How many like it this row stands for.
    """

    id: int
    start_ms: int
    end_ms: int | None
    kind: str
    subject: str
    detail: str
    count: int = 1


@dataclass(frozen=True, slots=True)
class Adopted:
    """What became of tables handed to the store.

    Attributes
    ----------
    sealed, revised, unchanged : int
        Days sealed first, sealed again, and left alone because they said nothing new.
    hot_rows : int
        Readings put among the hot ones because their day is not over.
    rows : int
        Readings handed in.
    """

    sealed: int = 0
    revised: int = 0
    unchanged: int = 0
    hot_rows: int = 0
    rows: int = 0

    def plus(self, other: Adopted) -> Adopted:
        """Return the sum of both."""
        return Adopted(
            self.sealed + other.sealed,
            self.revised + other.revised,
            self.unchanged + other.unchanged,
            self.hot_rows + other.hot_rows,
            self.rows + other.rows,
        )
