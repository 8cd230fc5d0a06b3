"""The digests of a pack: those kept, those made again because the code or the facts changed, and today's."""

from __future__ import annotations

import os
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import cache
from multiprocessing import get_context
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, Engine

from adapters.base import Subject
from logger.record import sealing_day, sealing_index, store_read
from logger.record.days import day_bounds_ms, local_day
from logger.record.histories import not_collecting
from logger.record.sealing_day import Job
from logger.record.sealing_index import KeptDigest
from logger.record.store_engine import make_engine, transaction
from logger.record.workers import can_start

if TYPE_CHECKING:
    import pyarrow as pa

    from analysis.digest import DayDigest
    from logger.record.store import Store

_RECENT = 200
_ALONE = 4
"""Up to so many days are digested here; for more, worker processes are worth their start."""


def load_digests(
    store: Store, pack: str, first: str | None, last: str | None, detail_from: str | None, now_ms: int
) -> list[DayDigest]:
    """Return a digest for every day with readings, by day; see `Store.digests`."""
    from analysis import digest as digests

    subject = Subject(pack)
    with store.reading() as conn:
        facts = sealing_day.facts_print(store_read.facts_of(conn, pack))
        kept = sealing_index.kept_digests(conn, pack, first, last, detail_from)
        sealed = sealing_index.places(conn, subject, first, last)
        hot = hot_days(conn, subject, store.zone, first, last)
    done = set(sealed) - set(hot)
    good = {
        day: k
        for day, k in kept.items()
        if day in done and (k.seq, k.version, k.facts) == (sealed[day][0], digests.VERSION, facts)
    }
    zones = {day: zone for day, (_, zone) in sealed.items()} | {
        day: store.zone.key for day in hot if day not in sealed
    }
    wanted = [(day, zones[day]) for day in sorted(zones) if day not in good]
    made = dict(zip([day for day, _ in wanted], _make(store, subject, wanted, now_ms), strict=True))
    if store.write:
        _keep(store, pack, {day: replace(k, seq=sealed[day][0]) for day, k in made.items() if day in done})
    with not_collecting():
        return [
            digests.loads(k.core, k.detail)
            for k in (made[day] if day in made else good[day] for day in sorted(zones))
        ]


def hot_days(
    conn: Connection, subject: Subject, zone: ZoneInfo, first: str | None, last: str | None
) -> list[str]:
    """Return the local days of a subject that have hot readings, passing over days without any."""
    number = store_read.subjects(conn).get(subject)
    days: list[str] = []
    time_ms = None if number is None else store_read.next_hot(conn, subject.kind, number, -(2**62))
    while number is not None and time_ms is not None:
        day = local_day(time_ms, zone)
        days.append(day)
        time_ms = store_read.next_hot(conn, subject.kind, number, day_bounds_ms(day, zone)[1])
    return [day for day in days if (first is None or day >= first) and (last is None or day <= last)]


def day_job(conn: Connection, subject: Subject, day: str, zone: ZoneInfo, now_ms: int) -> Job:
    """Collect what digesting a day as it is in the record needs."""
    bounds = day_bounds_ms(day, zone)
    number = store_read.subjects(conn)[subject]
    table = store_read.day_table(conn, subject, number, day, bounds)
    return Job(
        subject=subject,
        day=day,
        zone=zone.key,
        table=table,
        lead=sealing_day.lead_of(conn, subject, day, bounds[0], {}),
        facts=store_read.facts_of(conn, subject.name),
        witnesses=sealing_day.witness_tables(conn, day, bounds, {}),
        supersedes=None,
        revision=0,
        hot_rows=0,
        hot_print="",
        until_s=_end_so_far(table) if bounds[1] > now_ms else None,
    )


def _end_so_far(table: pa.Table) -> float | None:
    """Return where a day that is not over ends for now: its last reading and the time it stands for. [s]"""
    times = table.column("time_ms").to_numpy()[-_RECENT:]
    if len(times) < 2:
        return None
    steps = sorted(times[1:] - times[:-1])
    return float(times[-1] + steps[len(steps) // 2]) / 1000


def digest_day(address: str, subject: Subject, day: str, zone: str, now_ms: int) -> KeptDigest:
    """Digest one day of a record; runs in worker processes, each with its own connection."""
    with transaction(_engine(address), address, write=False) as conn:
        job = day_job(conn, subject, day, ZoneInfo(zone), now_ms)
    made = sealing_day.make_digest(job)
    assert made is not None  # noqa: S101 - packs have facts
    return made


@cache
def _engine(address: str) -> Engine:
    return make_engine(address, write=False)


def _make(store: Store, subject: Subject, wanted: list[tuple[str, str]], now_ms: int) -> list[KeptDigest]:
    if len(wanted) <= _ALONE or not can_start():
        return [digest_day(store.address, subject, day, zone, now_ms) for day, zone in wanted]
    workers = min(os.cpu_count() or 1, 8)
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        futures = [pool.submit(digest_day, store.address, subject, day, zone, now_ms) for day, zone in wanted]
        return [f.result() for f in futures]


def _keep(store: Store, pack: str, made: dict[str, KeptDigest]) -> None:
    """Keep digests made again, unless their day was sealed anew meanwhile."""
    if not made:
        return
    with store.writing() as conn:
        for day, kept in made.items():
            latest = sealing_index.latest_sealed(conn, Subject(pack), day)
            if latest is not None and latest.seq == kept.seq:
                sealing_index.keep_digest(conn, pack, kept)
