"""Events on their way to the disk. Safe between the recorder's loop and its writing thread."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from threading import Lock

from sqlalchemy import Connection

from logger.record import store_write

MOST = 1000
"""Events waiting for the disk; beyond, the oldest are given up."""


@dataclass(slots=True, eq=False)
class Waiting:
    """An event that is not in the record yet, or has to be ended there.

    Attributes
    ----------
    kind, detail, subject, start_ms, end_ms
        As in `logger.record.store_types.Event`.
    number : int or None
        Its number once it is in the record.
    """

    kind: str
    detail: str
    subject: str
    start_ms: int
    end_ms: int | None
    number: int | None = None


@dataclass(frozen=True, slots=True)
class _Written:
    waiting: Waiting
    end_ms: int | None
    number: int


class EventQueue:
    """Events in order of arrival."""

    def __init__(self) -> None:
        self._queue: list[Waiting] = []
        self._lock = Lock()

    def __len__(self) -> int:
        return len(self._queue)

    def put(self, one: Waiting) -> None:
        """Add an event, or one that has to be ended."""
        with self._lock:
            if one not in self._queue:
                self._queue.append(one)
            del self._queue[: max(len(self._queue) - MOST, 0)]

    def close(self, one: Waiting, end_ms: int) -> None:
        """End an event that was left open."""
        with self._lock:
            one.end_ms = end_ms
            if one not in self._queue:
                self._queue.append(one)

    def write(self, conn: Connection) -> list[_Written]:
        """Write all of them inside a transaction; `done` is told once it is through."""
        with self._lock:
            queue = [(one, one.end_ms) for one in self._queue]
        written = []
        for one, end_ms in queue:
            number = one.number
            if number is None:
                number = store_write.add_event(conn, one.kind, one.subject, one.detail, one.start_ms, end_ms)
            elif end_ms is not None:
                store_write.end_event(conn, number, end_ms)
            written.append(_Written(one, end_ms, number))
        return written

    def done(self, written: Sequence[_Written]) -> None:
        """Take out what is in the record, unless it was ended meanwhile."""
        with self._lock:
            for one in written:
                one.waiting.number = one.number
                if one.waiting.end_ms == one.end_ms and one.waiting in self._queue:
                    self._queue.remove(one.waiting)

    def forget_numbers(self) -> None:
        """Another record was begun: enter all of them anew."""
        with self._lock:
            for one in self._queue:
                one.number = None
