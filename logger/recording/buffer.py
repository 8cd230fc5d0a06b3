"""Readings on their way to the disk: bounded, the newest kept, what was dropped counted."""

from __future__ import annotations

from array import array
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice
from threading import Lock

from adapters.base import Subject
from logger.record.store_types import Stamped

LIMIT = 20_000
"""Readings kept while the disk does not take them: about 2¾ hours of two packs at 1 Hz, some 8 MB."""


@dataclass(frozen=True, slots=True)
class Loss:
    """Readings given up because the disk took none for too long.

    Attributes
    ----------
    count : int
    first_ms, last_ms : int
        Span of the lost ones. [ms UTC]
    """

    count: int
    first_ms: int
    last_ms: int


class Buffer:
    """A queue of stamped readings, kept compactly. Safe between two threads."""

    def __init__(self, limit: int = LIMIT) -> None:
        self._limit = limit
        self._rows: deque[tuple[Subject, int, int | None, tuple[str, ...], array[int]]] = deque()
        self._names: dict[tuple[str, ...], tuple[str, ...]] = {}
        self._lock = Lock()
        self._lost = 0
        self._lost_first = self._lost_last = 0
        self.offered = 0
        self.dropped = 0

    def __len__(self) -> int:
        return len(self._rows)

    def put(self, one: Stamped) -> None:
        """Add a reading; the oldest goes if there is no room."""
        names = tuple(one.values)
        with self._lock:
            names = self._names.setdefault(names, names)
            self._rows.append(
                (one.subject, one.time_ms, one.provisional, names, array("q", one.values.values()))
            )
            self.offered += 1
            if len(self._rows) > self._limit:
                self._give_up(self._rows.popleft()[1])

    def head(self, count: int) -> list[Stamped]:
        """Return the oldest readings without taking them out."""
        with self._lock:
            rows = list(islice(self._rows, count))
        return [Stamped(s, t, dict(zip(names, values, strict=True)), p) for s, t, p, names, values in rows]

    def done(self, batch: Sequence[Stamped], dropped_before: int) -> None:
        """Take out readings that `head` gave and the disk has now.

        Parameters
        ----------
        batch : sequence of Stamped
            What `head` gave.
        dropped_before : int
            `dropped` when it gave them: those dropped since were of this batch first.
        """
        with self._lock:
            for _ in range(max(len(batch) - (self.dropped - dropped_before), 0)):
                self._rows.popleft()

    def take_loss(self) -> Loss | None:
        """Return what was given up since the last call, or None."""
        with self._lock:
            if self._lost == 0:
                return None
            loss = Loss(self._lost, self._lost_first, self._lost_last)
            self._lost = 0
            return loss

    def settle(self, shift_ms: int) -> None:
        """Move the provisional readings: the clock is known now. [ms]"""
        with self._lock:
            self._rows = deque(
                (s, t if p is None else t + shift_ms, None, names, values)
                for s, t, p, names, values in self._rows
            )

    def _give_up(self, time_ms: int) -> None:
        self._lost_first = time_ms if self._lost == 0 else min(self._lost_first, time_ms)
        self._lost_last = time_ms if self._lost == 0 else max(self._lost_last, time_ms)
        self._lost += 1
        self.dropped += 1
