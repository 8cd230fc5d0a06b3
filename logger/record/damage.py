"""A corrupt record is moved aside, whole, and a new one is begun in its place."""

from __future__ import annotations

import json
import sqlite3
import time
from pathlib import Path

from adapters.errors import StoreDamaged, StoreError
from logger.record.store import Store
from logger.record.store_engine import file_exists, is_url

_SMALL = ("meta", "pack", "source", "boot", "event", "reading", "witness_reading")
"""Tables looked over at the start. Sealed days carry hashes of their own."""
_KEPT = ("timezone",)


def open_for_logging(address: str, timezone: str | None = None) -> tuple[Store, Path | None]:
    """Open the record for its logger; a corrupt one is moved aside first.

    Parameters
    ----------
    address : str
        Path or URL.
    timezone : str, optional
        The site's time zone.

    Returns
    -------
    (Store, Path or None)
        The open record, and where the corrupt one went.

    Raises
    ------
    StoreError
        If it cannot be opened for another reason.
    """
    try:
        store = Store.open(address, logging=True, timezone=timezone)
    except StoreDamaged:
        aside = move_aside(address)
        return _begun_anew(address, timezone, aside), aside
    wrong = None if is_url(address) else look_over(address)
    if wrong is None:
        return store, None
    store.close()
    aside = move_aside(address)
    return _begun_anew(address, timezone, aside), aside


def replace(store: Store) -> tuple[Store, Path]:
    """Move an open, corrupt record aside and open a new one in its place.

    Raises
    ------
    StoreError
        If that is not possible; the old one is open no more.
    """
    timezone = store.zone.key
    packs = _facts(store)
    store.close()
    aside = move_aside(store.address)
    new = _begun_anew(store.address, timezone, aside)
    for name, facts in packs.items():
        new.ensure_pack(name, facts)
    return new, aside


def look_over(path: str) -> str | None:
    """Return what SQLite finds wrong with the small tables of a file, or None."""
    db = sqlite3.connect(path, timeout=30)
    try:
        have = {row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        for table in _SMALL:
            if table in have:
                said = db.execute(f"PRAGMA quick_check('{table}')").fetchone()
                if said and said[0] != "ok":
                    return f"{table}: {said[0]}"
    except sqlite3.DatabaseError as error:
        if isinstance(error, sqlite3.OperationalError):
            return None  # busy, full: not for this place to judge
        return str(error)
    finally:
        db.close()
    return None


def move_aside(address: str) -> Path:
    """Rename a record and what belongs to it; return its new path."""
    stamp = time.strftime("%Y%m%dT%H%M%S", time.gmtime())
    aside = Path(f"{address}.damaged-{stamp}")
    number = 1
    while aside.exists():
        number += 1
        aside = Path(f"{address}.damaged-{stamp}-{number}")
    for suffix in ("-wal", "-shm", ""):
        part = Path(address + suffix)
        if part.exists():
            part.rename(str(aside) + suffix)
    return aside


def _begun_anew(address: str, timezone: str | None, aside: Path) -> Store:
    if file_exists(address):
        raise StoreError(f"{address} is damaged and could not be moved aside")
    store = Store.open(address, logging=True, timezone=timezone)
    store.set_meta("follows", json.dumps({"damaged": aside.name}))
    return store


def _facts(store: Store) -> dict[str, str]:
    """Return the facts of every pack, as far as they can still be read."""
    from sqlalchemy import select

    from logger.record import schema

    try:
        with store.reading() as conn:
            return {r.name: r.facts for r in conn.execute(select(schema.pack.c.name, schema.pack.c.facts))}
    except StoreError:
        return {}
