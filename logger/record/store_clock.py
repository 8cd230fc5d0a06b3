"""Boots and the correction of their provisional readings, inside a transaction that is given."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import Connection, and_, exists, func, insert, select, update

from logger.record import schema
from logger.record.store_identity import settle_identities
from logger.record.store_write import add_event, key_of, table_of
from logger.recording.clock import KeptBoot, Trust

_MOST_NUDGES = 1000


@dataclass(frozen=True, slots=True)
class Unsure:
    """Hot readings whose time is not known to be right.

    Attributes
    ----------
    readings : int
        How many; 0 if every time is known.
    first_ms, last_ms : int
        The first and the last as they are stamped; 0 if there is none. [ms UTC]
    clock_known : bool
        Whether the clock of the newest boot has become known: then these are of a boot that ended before.
    """

    readings: int
    first_ms: int
    last_ms: int
    clock_known: bool


def known_boot(conn: Connection, boot_id: str) -> KeptBoot | None:
    """Return what the record holds of a boot."""
    row = conn.execute(select(schema.boot).where(schema.boot.c.boot_id == boot_id)).mappings().first()
    return None if row is None else KeptBoot(row["id"], float(row["offset_ms"]), Trust[row["trust"]])


def unsure(conn: Connection) -> Unsure:
    """Return what is still provisional in the record."""
    found = [
        conn.execute(
            select(func.count(), func.min(t.c.time_ms), func.max(t.c.time_ms)).where(
                t.c.provisional.is_not(None)
            )
        ).one()
        for t in (schema.reading, schema.witness_reading)
    ]
    some = [tuple(row) for row in found if row[0]]
    trust = conn.execute(select(schema.boot.c.trust).order_by(schema.boot.c.id.desc()).limit(1)).scalar()
    return Unsure(
        readings=sum(n for n, _, _ in some),
        first_ms=min((first for _, first, _ in some), default=0),
        last_ms=max((last for _, _, last in some), default=0),
        clock_known=trust is not None and Trust[trust] is not Trust.NONE,
    )


def keep_boot(conn: Connection, boot_id: str, offset_ms: float, trust: Trust, now_ms: int) -> int:
    """Enter a boot, or its new offset; return its number."""
    b = schema.boot
    values = {"offset_ms": round(offset_ms), "trust": trust.name}
    kept = known_boot(conn, boot_id)
    if kept is not None:
        conn.execute(update(b).where(b.c.id == kept.number).values(values))
        return kept.number
    return int(
        conn.execute(
            insert(b).values(boot_id=boot_id, first_ms=now_ms, **values).returning(b.c.id)
        ).scalar_one()
    )


def newest_ms(conn: Connection) -> int | None:
    """Return the newest instant in the record, hot or sealed. [ms UTC]"""
    tables = (schema.reading.c.time_ms, schema.witness_reading.c.time_ms, schema.sealed_day.c.last_ms)
    found = [conn.execute(select(func.max(column))).scalar() for column in tables]
    return max((value for value in found if value is not None), default=None)


def settle_boot(conn: Connection, number: int, shift_ms: int, detail: str, at_ms: int) -> int:
    """Move a boot's provisional readings to their right time; return how many moved.

    They go through negative times, where nothing else is, so that none runs into another. One whose right
    instant is taken goes to the next free ms: none overwrites, none is lost.
    """
    moved = 0
    for kind in ("pack", "witness"):
        table = table_of(kind)
        mine = table.c.provisional == number
        moved += conn.execute(
            update(table).where(mine).values(time_ms=-(table.c.time_ms + shift_ms))
        ).rowcount
        _make_way(conn, kind, number)
        conn.execute(update(table).where(mine).values(time_ms=-table.c.time_ms, provisional=None))
    settle_identities(conn, number, shift_ms)
    add_event(conn, "clock_set", "", detail, at_ms, at_ms)
    return moved


def _make_way(conn: Connection, kind: str, number: int) -> None:
    """Move those whose instant is taken on by a ms, until none is; times are negative still."""
    table = table_of(kind)
    other, sibling = table.alias(), table.alias()
    key = key_of(kind)
    taken = exists(
        select(other.c.time_ms).where(and_(other.c.time_ms == -table.c.time_ms, other.c[key] == table.c[key]))
    )
    beside = exists(
        select(sibling.c.time_ms).where(
            and_(sibling.c.time_ms == table.c.time_ms - 1, sibling.c[key] == table.c[key])
        )
    )
    for _ in range(_MOST_NUDGES):
        where = and_(table.c.provisional == number, table.c.time_ms < 0, taken)
        if not conn.execute(
            update(table).where(and_(where, ~beside)).values(time_ms=table.c.time_ms - 1)
        ).rowcount:
            return
