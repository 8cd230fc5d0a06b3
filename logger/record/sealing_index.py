"""The rows of `sealed_day` and `digest`: found, read, added at the chain's end."""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, and_, delete, func, insert, select

from adapters.base import Subject
from logger.record import schema
from logger.record.chain import ORIGIN, DayRecord, link
from logger.record.store_types import SealedDay

_ROW = [c for c in schema.sealed_day.columns if c.name != "blob"]


@dataclass(frozen=True, slots=True)
class KeptDigest:
    """A digest as it is kept.

    Attributes
    ----------
    day : str
    seq : int
        The sealed day it was made from.
    version : int
        `analysis.digest.VERSION` of the code that made it.
    facts : str
        Fingerprint of the facts it was made with.
    core, detail : bytes
        What `analysis.digest.dumps` gave; `detail` is None where it was not asked for.
    """

    day: str
    seq: int
    version: int
    facts: str
    core: bytes
    detail: bytes | None


def sealed_days(
    conn: Connection, subject: Subject | None = None, first: str | None = None, last: str | None = None
) -> list[SealedDay]:
    """Return the newest revision of every sealed day, by day."""
    s = schema.sealed_day
    query = select(*_ROW).order_by(s.c.day, s.c.revision)
    if subject is not None:
        query = query.where(s.c.kind == subject.kind, s.c.name == subject.name)
    if first is not None:
        query = query.where(s.c.day >= first)
    if last is not None:
        query = query.where(s.c.day <= last)
    newest = {(row["kind"], row["name"], row["day"]): row for row in conn.execute(query).mappings()}
    return [SealedDay(**row) for row in newest.values()]


def newest_day(conn: Connection) -> str | None:
    """Return the newest sealed day of any subject; None before the first."""
    day: str | None = conn.execute(select(func.max(schema.sealed_day.c.day))).scalar()
    return day


def places(
    conn: Connection, subject: Subject, first: str | None = None, last: str | None = None
) -> dict[str, tuple[int, str]]:
    """Return place in the chain and time zone of the newest revision of every sealed day, by day."""
    s = schema.sealed_day
    query = select(s.c.day, s.c.seq, s.c.zone).where(s.c.kind == subject.kind, s.c.name == subject.name)
    if first is not None:
        query = query.where(s.c.day >= first)
    if last is not None:
        query = query.where(s.c.day <= last)
    return {day: (seq, zone) for day, seq, zone in conn.execute(query.order_by(s.c.day, s.c.revision))}


def latest_sealed(conn: Connection, subject: Subject, day: str) -> SealedDay | None:
    """Return the newest revision of one day, or None."""
    s = schema.sealed_day
    mine = and_(s.c.kind == subject.kind, s.c.name == subject.name, s.c.day == day)
    row = conn.execute(select(*_ROW).where(mine).order_by(s.c.revision.desc()).limit(1)).mappings().first()
    return None if row is None else SealedDay(**row)


def sealed_blob(conn: Connection, seq: int) -> bytes:
    """Return the blob of one sealed day."""
    return bytes(
        conn.execute(select(schema.sealed_day.c.blob).where(schema.sealed_day.c.seq == seq)).scalar_one()
    )


def all_sealed(conn: Connection) -> Iterator[SealedDay]:
    """Yield every revision of every day, in the order of the chain."""
    for row in conn.execute(select(*_ROW).order_by(schema.sealed_day.c.seq)).mappings():
        yield SealedDay(**row)


def record_of(row: SealedDay) -> DayRecord:
    """Return the chain's record of a sealed day."""
    return DayRecord(
        seq=row.seq,
        kind=row.kind,
        name=row.name,
        day=row.day,
        zone=row.zone,
        revision=row.revision,
        supersedes=row.supersedes,
        row_count=row.row_count,
        first_ms=row.first_ms,
        last_ms=row.last_ms,
        sha256=row.sha256,
    )


def add_sealed(conn: Connection, row: dict[str, Any], blob: bytes) -> int:
    """Add a sealed day at the chain's end; return its place.

    Parameters
    ----------
    conn : Connection
        In a writing transaction: nobody else may be adding.
    row : dict
        Every field of `DayRecord` but `seq`, and `sealed_ms`.
    blob : bytes
        The day.
    """
    s = schema.sealed_day
    end = conn.execute(select(s.c.seq, s.c.chain).order_by(s.c.seq.desc()).limit(1)).first()
    seq, previous = (1, ORIGIN) if end is None else (end.seq + 1, end.chain)
    record = DayRecord(seq=seq, **{k: v for k, v in row.items() if k != "sealed_ms"})
    conn.execute(insert(s).values(seq=seq, chain=link(previous, record.line()), blob=blob, **row))
    return seq


def keep_digest(conn: Connection, pack: str, kept: KeptDigest) -> None:
    """Keep a digest in place of an older one of the same day."""
    d = schema.digest
    drop_digests(conn, pack, kept.day)
    parts = {"core": zlib.compress(kept.core, 6), "detail": zlib.compress(kept.detail or b"", 6)}
    conn.execute(
        insert(d).values(
            pack=pack, day=kept.day, seq=kept.seq, version=kept.version, facts=kept.facts, **parts
        )
    )


def drop_digests(conn: Connection, pack: str | None, day: str) -> None:
    """Forget the digest of a day of one pack, or of every pack: it will be made again when asked for."""
    d = schema.digest
    where = d.c.day == day if pack is None else and_(d.c.day == day, d.c.pack == pack)
    conn.execute(delete(d).where(where))


def kept_digests(
    conn: Connection, pack: str, first: str | None, last: str | None, detail_from: str | None = None
) -> dict[str, KeptDigest]:
    """Return the digests kept of a pack, by day; their detail only from `detail_from` on, or all of it."""
    d = schema.digest
    where = [d.c.pack == pack]
    if first is not None:
        where.append(d.c.day >= first)
    if last is not None:
        where.append(d.c.day <= last)
    query = select(d.c.day, d.c.seq, d.c.version, d.c.facts, d.c.core).where(*where).order_by(d.c.day)
    recent = select(d.c.day, d.c.detail).where(*where, d.c.day >= (detail_from or ""))
    detail = {day: _unpacked(packed) for day, packed in conn.execute(recent)}
    out = {}
    for day, seq, version, facts, packed in conn.execute(query):
        core = _unpacked(packed)
        if core is not None and (day not in detail or detail[day] is not None):
            out[day] = KeptDigest(day, seq, version, facts, core, detail.get(day))
    return out


def _unpacked(packed: bytes) -> bytes | None:
    """Return what was packed; None if it is damaged: a digest can be made again."""
    try:
        return zlib.decompress(packed)
    except zlib.error:
        return None


def sealed_bytes(conn: Connection) -> tuple[int, int, int]:
    """Return how many sealed days there are, their readings, and the bytes of their blobs."""
    s = schema.sealed_day
    row = conn.execute(select(func.count(), func.sum(s.c.row_count), func.sum(func.length(s.c.blob)))).one()
    return int(row[0]), int(row[1] or 0), int(row[2] or 0)
