"""What packs say about themselves (serial number, model, version), and since when they have said it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass

from sqlalchemy import Connection, insert, select, update

from logger.record import schema
from logger.record.store_write import add_event

MOST_TEXT = 200
"""Characters kept of one text."""


@dataclass(frozen=True, slots=True)
class ReadIdentity:
    """One text as a pack or witness gave it.

    Attributes
    ----------
    subject : str
        Pack or witness.
    source : str
        The source that read it, by its name in bank.toml.
    name : str
        "serial", "maker", "model", "version", … as the map or the standard calls it.
    value : str
        The text.
    first_ms, last_ms : int
        When it was first and last read. It is read on connecting, not with every reading. [ms UTC]
    """

    subject: str
    source: str
    name: str
    value: str
    first_ms: int
    last_ms: int


def note_identity(
    conn: Connection,
    subject: str,
    source: str,
    texts: Mapping[str, str],
    now_ms: int,
    provisional: int | None = None,
) -> int:
    """Keep what was read; a text that differs from the one before makes a row and an event of its own.

    Parameters
    ----------
    conn : Connection
        A transaction that writes.
    subject, source : str
        Pack or witness, and the source that read it.
    texts : mapping of str to str
        What was read, by name. Empty texts say nothing and are left out.
    now_ms : int
        When. [ms UTC]
    provisional : int or None
        Number of the boot while its clock is not known to be right.

    Returns
    -------
    int
        How many texts changed.
    """
    t = schema.identity
    changed = 0
    for name, text in texts.items():
        value = " ".join(text.split())[:MOST_TEXT]
        if not value:
            continue
        mine = (t.c.subject == subject) & (t.c.source == source) & (t.c.name == name)
        newest = (
            conn.execute(select(t).where(mine).order_by(t.c.first_ms.desc(), t.c.id.desc()).limit(1))
            .mappings()
            .first()
        )
        if newest is not None and newest["value"] == value:
            # A clock that may be wrong does not move the date of a row that a right one made.
            if provisional is None or newest["provisional"] == provisional:
                conn.execute(update(t).where(t.c.id == newest["id"]).values(last_ms=now_ms))
            continue
        row = {"subject": subject, "source": source, "name": name, "value": value}
        conn.execute(insert(t).values(**row, first_ms=now_ms, last_ms=now_ms, provisional=provisional))
        if newest is not None:
            changed += 1
            detail = f'{name} reads "{value}" where it read "{newest["value"]}" ({source})'
            add_event(conn, "identity", subject, detail, now_ms, now_ms)
    return changed


def load_identities(conn: Connection, subject: str | None = None) -> list[ReadIdentity]:
    """Return every text that was read, of one subject or all, oldest first."""
    t = schema.identity
    columns = (t.c.subject, t.c.source, t.c.name, t.c.value, t.c.first_ms, t.c.last_ms)
    query = select(*columns).order_by(t.c.first_ms, t.c.id)
    if subject is not None:
        query = query.where(t.c.subject == subject)
    return [ReadIdentity(**row) for row in conn.execute(query).mappings()]


def adopt_identities(conn: Connection, rows: Iterable[ReadIdentity]) -> int:
    """Enter rows of another record that are not here yet; return how many were new."""
    known = {(r.subject, r.source, r.name, r.value) for r in load_identities(conn)}
    new = [asdict(row) for row in rows if (row.subject, row.source, row.name, row.value) not in known]
    if new:
        conn.execute(insert(schema.identity), new)
    return len(new)


def settle_identities(conn: Connection, boot: int, shift_ms: int) -> None:
    """Move what a boot read while its clock was not known to its right time. [ms]"""
    t = schema.identity
    moved = {"first_ms": t.c.first_ms + shift_ms, "last_ms": t.c.last_ms + shift_ms, "provisional": None}
    conn.execute(update(t).where(t.c.provisional == boot).values(moved))
