"""Reading hot and sealed days back. Heavy imports stay inside: the recorder never needs them."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, and_, func, select

from adapters.base import Subject
from logger.record import schema
from logger.record.sealing_index import latest_sealed, sealed_blob
from logger.record.store_types import Event
from logger.record.store_write import key_of, table_of

if TYPE_CHECKING:
    import pyarrow as pa

    from analysis.facts import PackFacts


def subjects(conn: Connection) -> dict[Subject, int]:
    """Return every pack and witness with its number, packs first, in order of entry."""
    out: dict[Subject, int] = {}
    for table, kind in ((schema.pack, "pack"), (schema.source, "witness")):
        for row in conn.execute(select(table.c.id, table.c.name).order_by(table.c.id)):
            out[Subject(row.name, "witness" if kind == "witness" else "pack")] = row.id
    return out


def facts_of(conn: Connection, pack: str) -> PackFacts:
    """Return the facts kept of a pack; defaults if it is not there."""
    text = conn.execute(select(schema.pack.c.facts).where(schema.pack.c.name == pack)).scalar()
    return facts_from(json.loads(text or "{}"), pack)


def facts_from(kept: dict[str, Any], name: str) -> PackFacts:
    """Return a pack's facts from their JSON form; defaults for what is not in it."""
    from analysis.facts import LeadFacts, PackFacts, WarrantyTerms

    values = {**kept, "name": name}
    values["warranty"] = WarrantyTerms(**values.get("warranty", {}))
    values["lead"] = LeadFacts(**values.get("lead", {}))
    return PackFacts(**values)


def next_hot(conn: Connection, kind: str, number: int, from_ms: int) -> int | None:
    """Return the first instant at or after `from_ms` for which a subject has a hot reading, or None. [ms]"""
    table = table_of(kind)
    mine = and_(table.c.time_ms >= from_ms, table.c[key_of(kind)] == number)
    found = conn.execute(select(table.c.time_ms).where(mine).order_by(table.c.time_ms).limit(1)).scalar()
    return None if found is None else int(found)


def hot_count(conn: Connection, kind: str, number: int, bounds_ms: tuple[int, int]) -> int:
    """Return how many hot readings a subject has within [start, end)."""
    table = table_of(kind)
    return int(
        conn.execute(
            select(func.count()).select_from(table).where(_within(kind, number, bounds_ms))
        ).scalar_one()
    )


def hot_table(conn: Connection, kind: str, number: int, bounds_ms: tuple[int, int]) -> pa.Table:
    """Return a subject's hot readings within [start, end) as a tidy table."""
    import pyarrow as pa

    from logger.record.sealing import arrow_type, catalogue_of, tidy

    table, where = table_of(kind), _within(kind, number, bounds_ms)
    channels = [c for c in table.columns if c.name != key_of(kind) and c.name != "time_ms"]
    seen = conn.execute(select(*[func.count(c) for c in channels]).where(where)).one()
    used = [table.c.time_ms, *(c for c, n in zip(channels, seen, strict=True) if n)]
    result: Any = conn.execute(select(*used).where(where).order_by(table.c.time_ms))
    rows = result.cursor.fetchall()  # the driver's own rows: half the time of SQLAlchemy's
    columns: Sequence[Any] = list(zip(*rows, strict=True)) if rows else [()] * len(used)
    types = [arrow_type(c.name, catalogue_of(kind)) for c in used]
    arrays = [pa.array(values, t) for values, t in zip(columns, types, strict=True)]
    return tidy(pa.table(arrays, names=[c.name for c in used]), kind)


def day_table(
    conn: Connection, subject: Subject, number: int, day: str, bounds_ms: tuple[int, int]
) -> pa.Table:
    """Return all that is known of a subject's day, sealed and hot."""
    from logger.record.sealing import decode_day, merge

    sealed = latest_sealed(conn, subject, day)
    hot = (
        hot_table(conn, subject.kind, number, bounds_ms)
        if hot_count(conn, subject.kind, number, bounds_ms)
        else None
    )
    if sealed is None:
        return hot if hot is not None else hot_table(conn, subject.kind, number, bounds_ms)
    table = decode_day(sealed_blob(conn, sealed.seq), threads=True)
    return table if hot is None else merge(table, hot, subject.kind)


def tail_table(conn: Connection, subject: Subject, number: int, day: str, start_ms: int) -> pa.Table | None:
    """Return the half hour of a day before `start_ms`, where its end is; None if there is none."""
    import pyarrow.compute as pc

    from logger.record.sealing import LEAD_MS, decode_day, merge

    bounds = (start_ms - LEAD_MS, start_ms)
    hot = (
        hot_table(conn, subject.kind, number, bounds)
        if hot_count(conn, subject.kind, number, bounds)
        else None
    )
    sealed = latest_sealed(conn, subject, day)
    if sealed is None:
        return hot
    end = decode_day(sealed_blob(conn, sealed.seq), tail=True)
    end = end.filter(pc.greater_equal(end["time_ms"], bounds[0]))
    return end if hot is None else merge(end, hot, subject.kind)


def latest_row(conn: Connection, kind: str, number: int) -> dict[str, Any] | None:
    """Return the newest hot row of a subject, or None."""
    table = table_of(kind)
    query = select(table).where(table.c[key_of(kind)] == number).order_by(table.c.time_ms.desc()).limit(1)
    row = conn.execute(query).mappings().first()
    return None if row is None else dict(row)


def read_events(
    conn: Connection, first_ms: int | None, last_ms: int | None, kind: str | None, limit: int
) -> list[Event]:
    """Return events that touch a span of time, the newest `limit`, in order of start."""
    e = schema.event
    query = select(e).order_by(e.c.start_ms.desc(), e.c.id.desc()).limit(limit)
    if first_ms is not None:
        query = query.where(func.coalesce(e.c.end_ms, 2**62) >= first_ms)
    if last_ms is not None:
        query = query.where(e.c.start_ms <= last_ms)
    if kind is not None:
        query = query.where(e.c.kind == kind)
    return [Event(**row) for row in conn.execute(query).mappings()][::-1]


def get_meta(conn: Connection, key: str) -> str | None:
    """Return one named text."""
    value = conn.execute(select(schema.meta.c.value).where(schema.meta.c.key == key)).scalar()
    return None if value is None else str(value)


def _within(kind: str, number: int, bounds_ms: tuple[int, int]) -> Any:
    table = table_of(kind)
    return and_(
        table.c.time_ms >= bounds_ms[0], table.c.time_ms < bounds_ms[1], table.c[key_of(kind)] == number
    )
