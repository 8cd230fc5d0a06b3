"""Many readings at once: an import, a simulated past. Whole past days are sealed straight away."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from itertools import pairwise
from multiprocessing import get_context
from types import TracebackType
from typing import TYPE_CHECKING, Self

from adapters.base import Subject
from logger.record import sealing_day, store_write
from logger.record.days import day_bounds_ms, days_between
from logger.record.sealing_day import Job, OutdatedError, Prepared
from logger.record.store_types import Adopted
from logger.record.workers import can_start

if TYPE_CHECKING:
    import pyarrow as pa

    from logger.record.store import Store

IN_FLIGHT = 3
"""Days on their way at once; bounds the memory."""
_ROWS_AT_ONCE = 20_000


class Adopter:
    """Takes tables in any number, prepares their days in worker processes, enters them in order.

    Witnesses are best given before the packs of the same day, so that the packs' digests see them.
    """

    def __init__(self, store: Store, *, now_ms: int, workers: int = 2) -> None:
        import pyarrow as pa

        pa.set_memory_pool(pa.system_memory_pool())  # gives memory back, where the default one keeps it
        self._store = store
        self._now_ms = now_ms
        self._pool = None
        if workers and can_start():
            self._pool = ProcessPoolExecutor(workers, mp_context=get_context("spawn"))
        self._waiting: deque[tuple[Job, Future[Prepared]]] = deque()
        self._parts: dict[Subject, tuple[str, list[pa.Table]]] = {}
        self._known: dict[tuple[Subject, str], pa.Table] = {}
        self.outcome = Adopted()

    def put(self, subject: Subject, table: pa.Table) -> None:
        """Take some readings of one subject; they may span many days.

        Raises
        ------
        ValueError
            If the table is not one of this subject's channels.
        """
        self._store.number(subject)
        for day, part in split_days(table, subject.kind, self._store):
            self.outcome = self.outcome.plus(Adopted(rows=part.num_rows))
            if day_bounds_ms(day, self._store.zone)[1] > self._now_ms:
                self._put_hot(subject, part)
            else:
                self._collect(subject, day, part)

    def flush(self) -> Adopted:
        """Enter all that is waiting; return what became of everything so far."""
        for subject in sorted(self._parts, key=lambda s: s.kind, reverse=True):  # witnesses first
            self._close_day(subject)
        self._enter_all()
        self._known.clear()
        return self.outcome

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if kind is None:
                self.flush()
        finally:
            if self._pool is not None:
                self._pool.shutdown(wait=True, cancel_futures=True)

    def _collect(self, subject: Subject, day: str, part: pa.Table) -> None:
        """Hold a day back until another begins: a file read in blocks brings it in parts."""
        if subject in self._parts and self._parts[subject][0] != day:
            self._close_day(subject)
        self._parts.setdefault(subject, (day, []))[1].append(part)

    def _close_day(self, subject: Subject) -> None:
        day, parts = self._parts.pop(subject)
        self._put_day(subject, day, joined(parts, subject.kind))

    def _enter_all(self) -> None:
        while self._waiting:
            self._enter_one()

    def _put_day(self, subject: Subject, day: str, part: pa.Table) -> None:
        if any(job.subject == subject and job.day == day for job, _ in self._waiting):
            self._enter_all()
        with self._store.reading() as conn:
            job = sealing_day.gather(conn, subject, day, self._store.zone, part, self._known)
        if job is None:
            self.outcome = self.outcome.plus(Adopted(unchanged=1))
            return
        self._known[subject, day] = job.table
        self._waiting.append((job, self._submit(job)))
        while len(self._waiting) > IN_FLIGHT:
            self._enter_one()

    def _submit(self, job: Job) -> Future[Prepared]:
        if self._pool is not None:
            return self._pool.submit(sealing_day.prepare, job)
        done: Future[Prepared] = Future()
        done.set_result(sealing_day.prepare(job))
        return done

    def _enter_one(self) -> None:
        job, future = self._waiting.popleft()
        made = future.result()
        try:
            with self._store.writing() as conn:
                sealing_day.enter(conn, [made], self._now_ms)
        except OutdatedError:
            again = self._again(job)
            if again is None:
                return
            with self._store.writing() as conn:
                sealing_day.enter(conn, [sealing_day.prepare(again)], self._now_ms)
        first = made.revision == 1
        self.outcome = self.outcome.plus(Adopted(sealed=int(first), revised=int(not first)))
        self._forget(job)

    def _again(self, job: Job) -> Job | None:
        with self._store.reading() as conn:
            return sealing_day.gather(conn, job.subject, job.day, self._store.zone, job.table)

    def _forget(self, job: Job) -> None:
        """Drop days nobody can look back upon any more: all of this subject before the one just entered."""
        for subject, day in [k for k in self._known if k[0] == job.subject and k[1] < job.day]:
            if subject.kind == "pack" or all(j.day > day for j, _ in self._waiting):
                del self._known[subject, day]

    def _put_hot(self, subject: Subject, part: pa.Table) -> None:
        number = self._store.number(subject)
        for chunk in part.to_batches(max_chunksize=_ROWS_AT_ONCE):
            rows = chunk.to_pylist()
            for row in rows:
                row[store_write.key_of(subject.kind)] = number
            with self._store.writing() as conn:
                store_write.merge_hot(conn, subject.kind, rows)
        self.outcome = self.outcome.plus(Adopted(hot_rows=part.num_rows))


def joined(parts: list[pa.Table], kind: str) -> pa.Table:
    """Return the parts of a day as one; where they overlap, the later part's values stand."""
    import pyarrow as pa

    from logger.record.sealing import merge, tidy

    ends = [(p.column("time_ms")[0].as_py(), p.column("time_ms")[-1].as_py()) for p in parts]
    if all(before[1] < after[0] for before, after in pairwise(ends)):
        return tidy(pa.concat_tables(parts, promote_options="default"), kind)
    whole = parts[0]
    for part in parts[1:]:
        whole = merge(whole, part, kind)
    return whole


def split_days(table: pa.Table, kind: str, store: Store) -> Iterator[tuple[str, pa.Table]]:
    """Yield each local day of a table with its readings, in order."""
    import numpy as np

    from logger.record.sealing import tidy

    table = tidy(table, kind)
    if table.num_rows == 0:
        return
    times = table.column("time_ms").to_numpy()
    for day in days_between(int(times[0]), int(times[-1]), store.zone):
        start, end = np.searchsorted(times, day_bounds_ms(day, store.zone))
        if end > start:
            yield day, tidy(table.slice(start, end - start), kind)
