"""Which days are over and not sealed yet, and sealing them one by one."""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from sqlalchemy import Connection, and_, func, select

from adapters.base import Subject
from logger.record import sealing_day, sealing_index, store_read, store_write
from logger.record.days import day_bounds_ms
from logger.record.store_digests import hot_days
from logger.record.store_types import SealedDay

if TYPE_CHECKING:
    from logger.record.store import Store

log = logging.getLogger(__name__)

GRACE_MS = 60_000
"""A day counts as over this long after its end, when its last batch is in. [ms]"""
UNSURE_MS = 14 * 86_400_000
"""A day with readings of an unknown clock is sealed all the same once it is this old. [ms]"""
_TRIES = 3


def seal_due(store: Store, now_ms: int, on_day: Callable[[str, str], None] | None = None) -> list[SealedDay]:
    """Seal every day that is over, witnesses first, oldest first.

    Parameters
    ----------
    store : Store
    now_ms : int
        [ms UTC]
    on_day : callable, optional
        Called with name and day before each.

    Returns
    -------
    list of SealedDay
    """
    with store.reading() as conn:
        due = due_days(conn, store, now_ms)
    done: list[SealedDay] = []
    for day in sorted({day for _, day in due}):
        subjects = [subject for subject, of in due if of == day]
        for subject in subjects:
            if on_day is not None:
                on_day(subject.name, day)
        done += seal_day(store, subjects, day, now_ms)
    return done


def due_days(conn: Connection, store: Store, now_ms: int) -> list[tuple[Subject, str]]:
    """Return the subjects and days that are over but still have hot readings."""
    due = []
    for subject, number in sorted(
        store_read.subjects(conn).items(), key=lambda item: item[0].kind, reverse=True
    ):
        for day in hot_days(conn, subject, store.zone, None, None):
            bounds = day_bounds_ms(day, store.zone)
            if bounds[1] + GRACE_MS > now_ms:
                continue
            if bounds[1] + UNSURE_MS > now_ms and _provisional(conn, subject, number, bounds):
                continue
            due.append((subject, day))
    return due


def seal_day(store: Store, subjects: Sequence[Subject], day: str, now_ms: int) -> list[SealedDay]:
    """Seal one day of some subjects, in one transaction; return what was sealed.

    Raises
    ------
    StoreError
        If it failed; the rows are then still there.
    """
    for attempt in range(1, _TRIES + 1):
        with store.reading() as conn:
            jobs = [sealing_day.gather(conn, subject, day, store.zone) for subject in subjects]
        prepared = [sealing_day.prepare(job) for job in jobs if job is not None]
        try:
            with store.writing() as conn:
                sealing_day.enter(conn, prepared, now_ms)
                found = [sealing_index.latest_sealed(conn, one.subject, day) for one in prepared]
            return [one for one in found if one is not None]
        except sealing_day.OutdatedError as error:
            if attempt == _TRIES:
                raise
            log.info("%s; sealing it again", error)
    return []


def _provisional(conn: Connection, subject: Subject, number: int, bounds: tuple[int, int]) -> bool:
    table = store_write.table_of(subject.kind)
    where = and_(
        table.c[store_write.key_of(subject.kind)] == number,
        table.c.time_ms >= bounds[0],
        table.c.time_ms < bounds[1],
        table.c.provisional.is_not(None),
    )
    return bool(conn.execute(select(func.count()).select_from(table).where(where)).scalar_one())
