"""Putting readings and events into the record. Each function works inside a transaction it is given."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, is_dataclass
from typing import Any

from sqlalchemy import Connection, Table, and_, delete, func, insert, not_, or_, select, update
from sqlalchemy.exc import IntegrityError

from adapters.base import Subject
from adapters.channels import CATALOGUE, WITNESS_CATALOGUE
from logger.record import schema
from logger.record.store_types import Stamped

FOLD_MS = 600_000
"""Events of one kind, subject and wording closer than this become one row. [ms]"""
MAX_EVENTS = 200_000
"""Rows kept in `event`; the oldest closed ones go first."""
_FEW = 0.1


Span = tuple[int, tuple[int, int]]
"""Number of a subject, and start and end. [ms UTC]"""


def table_of(kind: str) -> Table:
    """Return the table of hot readings of a kind of subject."""
    return schema.witness_reading if kind == "witness" else schema.reading


def key_of(kind: str) -> str:
    """Return the name of its column that says whose reading it is."""
    return "source_id" if kind == "witness" else "pack_id"


def blank(kind: str) -> dict[str, int | None]:
    """Return a row with every channel absent."""
    return dict.fromkeys(WITNESS_CATALOGUE if kind == "witness" else CATALOGUE)


def ensure_subject(conn: Connection, subject: Subject, now_ms: int, facts: Any = None) -> int:
    """Return the number of a pack or witness, entering it if it is new; facts replace those kept."""
    table = schema.source if subject.kind == "witness" else schema.pack
    found = conn.execute(select(table).where(table.c.name == subject.name)).mappings().first()
    text = facts_text(facts, subject.name)
    if found is None:
        row: dict[str, Any] = {"name": subject.name, "created_ms": now_ms}
        if subject.kind == "pack":
            row["facts"] = text or json.dumps({"name": subject.name})
        number = conn.execute(insert(table).values(row).returning(table.c.id)).scalar_one()
        return int(number)
    if text is not None and subject.kind == "pack" and found["facts"] != text:
        conn.execute(update(table).where(table.c.id == found["id"]).values(facts=text))
    return int(found["id"])


def facts_text(facts: Any, name: str) -> str | None:
    """Return the JSON of a pack's facts, keys in order; None if none are given."""
    if facts is None or isinstance(facts, str):
        return facts
    whole = asdict(facts) if is_dataclass(facts) and not isinstance(facts, type) else dict(facts)
    return json.dumps({**whole, "name": name}, sort_keys=True)


def add_readings(conn: Connection, batch: Sequence[Stamped], numbers: Mapping[Subject, int]) -> None:
    """Insert stamped readings. One whose instant is taken moves on by a ms: none is lost, none overwrites."""
    for kind in ("pack", "witness"):
        rows = [_row(one, numbers[one.subject]) for one in batch if one.subject.kind == kind]
        if not rows:
            continue
        statement = insert(table_of(kind))
        try:
            with conn.begin_nested():
                conn.execute(statement, rows)
        except IntegrityError:
            for row in rows:
                row["time_ms"] = free_instant(conn, kind, row[key_of(kind)], row["time_ms"])
                conn.execute(statement, row)


def free_instant(conn: Connection, kind: str, number: int, time_ms: int) -> int:
    """Return the first instant at or after `time_ms` that a subject has no hot reading for. [ms]"""
    table = table_of(kind)
    mine = and_(
        table.c[key_of(kind)] == number, table.c.time_ms >= time_ms, table.c.time_ms < time_ms + 10_000
    )
    taken = set(conn.execute(select(table.c.time_ms).where(mine)).scalars())
    while time_ms in taken:
        time_ms += 1
    return time_ms


def merge_hot(conn: Connection, kind: str, rows: Sequence[dict[str, Any]]) -> None:
    """Insert or complete hot readings: a value given stands before the one kept."""
    if not rows:
        return
    table = table_of(kind)
    if conn.dialect.name == "postgresql":
        from sqlalchemy.dialects.postgresql import insert as upsert
    else:
        from sqlalchemy.dialects.sqlite import insert as upsert  # type: ignore[assignment]  # same methods
    statement = upsert(table)
    given = [c for c in rows[0] if c not in ("time_ms", key_of(kind))]
    keep = {c: func.coalesce(statement.excluded[c], table.c[c]) for c in given}
    index = [table.c.time_ms, table.c[key_of(kind)]]
    final = (
        statement.on_conflict_do_update(index_elements=index, set_=keep)
        if keep
        else statement.on_conflict_do_nothing()
    )
    conn.execute(final, list(rows))


def delete_hot(conn: Connection, kind: str, spans: Sequence[Span]) -> None:
    """Delete hot readings within spans of time, each [start, end) of one subject.

    Deleting rows one by one rewrites every page they stood on; emptying a table only frees its pages. So
    where little remains, the table is emptied and the rest put back.
    """
    table = table_of(kind)
    doomed = or_(
        *(
            and_(table.c.time_ms >= start, table.c.time_ms < end, table.c[key_of(kind)] == number)
            for number, (start, end) in spans
        )
    )
    total = conn.execute(select(func.count()).select_from(table)).scalar_one()
    gone = conn.execute(select(func.count()).select_from(table).where(doomed)).scalar_one()
    if conn.dialect.name != "sqlite" or total - gone > _FEW * total:
        conn.execute(delete(table).where(doomed))
        return
    rest = [dict(row) for row in conn.execute(select(table).where(not_(doomed))).mappings()]
    conn.execute(delete(table))
    if rest:
        conn.execute(insert(table), rest)


def add_event(
    conn: Connection, kind: str, subject: str, detail: str, start_ms: int, end_ms: int | None = None
) -> int:
    """Enter an event; one like it that ended a moment ago is opened again instead. Return its number."""
    e = schema.event
    alike = and_(e.c.kind == kind, e.c.subject == subject, e.c.start_ms > start_ms - 86_400_000)
    last = conn.execute(select(e).where(alike).order_by(e.c.start_ms.desc()).limit(1)).mappings().first()
    if last is not None and last["detail"] == detail and _near(last["end_ms"], start_ms):
        values = {"end_ms": end_ms, "count": last["count"] + 1}
        conn.execute(update(e).where(e.c.id == last["id"]).values(values))
        return int(last["id"])
    row = {
        "kind": kind,
        "subject": subject,
        "detail": detail,
        "start_ms": start_ms,
        "end_ms": end_ms,
        "count": 1,
    }
    number = int(conn.execute(insert(e).values(row).returning(e.c.id)).scalar_one())
    if number % 1000 == 0:
        _trim_events(conn)
    return number


def end_event(conn: Connection, number: int, end_ms: int) -> None:
    """Say when an event ended."""
    conn.execute(update(schema.event).where(schema.event.c.id == number).values(end_ms=end_ms))


def end_open_events(conn: Connection, newest_ms: int | None) -> None:
    """End what a logger left open that was not stopped cleanly: when the last reading was stored."""
    e = schema.event
    query = select(e.c.id, e.c.start_ms, e.c.kind, e.c.detail).where(e.c.end_ms.is_(None))
    for row in conn.execute(query).all():
        values: dict[str, Any] = {"end_ms": max(row.start_ms, newest_ms or 0)}
        if row.kind == "logging":
            values["detail"] = f"{row.detail}; it was not stopped cleanly"
        conn.execute(update(e).where(e.c.id == row.id).values(values))


def set_meta(conn: Connection, key: str, value: str) -> None:
    """Keep one named text."""
    conn.execute(delete(schema.meta).where(schema.meta.c.key == key))
    conn.execute(insert(schema.meta).values(key=key, value=value))


def _near(end_ms: int | None, start_ms: int) -> bool:
    return end_ms is not None and abs(start_ms - end_ms) <= FOLD_MS


def _trim_events(conn: Connection) -> None:
    e = schema.event
    count = conn.execute(select(func.count()).select_from(e)).scalar_one()
    if count > MAX_EVENTS:
        oldest = select(e.c.id).where(e.c.end_ms.is_not(None)).order_by(e.c.id).limit(count - MAX_EVENTS)
        conn.execute(delete(e).where(e.c.id.in_(oldest)))


def _row(one: Stamped, number: int) -> dict[str, Any]:
    kind = one.subject.kind
    row: dict[str, Any] = blank(kind)
    row.update((name, value) for name, value in one.values.items() if name in row)
    row.update({"time_ms": one.time_ms, key_of(kind): number, "provisional": one.provisional})
    return row
