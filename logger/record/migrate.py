"""Bringing a record to the schema of this code: made if it is new, migrated if it is older."""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path

from sqlalchemy import Connection, Engine, insert, inspect, select, update

from adapters.errors import StoreError
from logger.record import schema
from logger.record.address import shown
from logger.record.store_engine import is_url, transaction
from logger.record.store_lock import WriterLock

Step = Callable[[Connection], None]


def _digests_in_two_parts(conn: Connection) -> None:
    """1 to 2: digests of one part go; they are made again from the sealed days when asked for."""
    conn.exec_driver_sql("DROP TABLE digest")
    schema.digest.create(conn)


def _identities(conn: Connection) -> None:
    """2 to 3: what packs say about themselves has a table."""
    schema.identity.create(conn, checkfirst=True)


STEPS: dict[int, Step] = {1: _digests_in_two_parts, 2: _identities}
"""Version to the step that leads from it to the next. Each runs in one transaction."""


def bring_up(engine: Engine, address: str, *, write: bool) -> None:
    """Make or migrate the tables.

    Raises
    ------
    StoreError
        If the record is of a later version, or is older and may not be written.
    StoreLocked
        If it has to be migrated while a logger writes it.
    """
    with transaction(engine, address, write=False) as conn:
        found = version(conn)
    if found == schema.SCHEMA_VERSION:
        return
    if found > schema.SCHEMA_VERSION:
        raise StoreError(
            f"{shown(address)} was written by a later bankbook "
            f"(schema {found}; this is {schema.SCHEMA_VERSION})",
            "upgrade bankbook",
        )
    if not write:
        hint = (
            "run `bankbook log` or any command that writes, once"
            if found
            else "run `bankbook log` or `bankbook import` first"
        )
        raise StoreError(
            f"{shown(address)} has schema {found}, this bankbook reads {schema.SCHEMA_VERSION}", hint
        )
    if found == 0:
        create(engine, address)
    else:
        migrate(engine, address, found)


def version(conn: Connection) -> int:
    """Return the schema's version; 0 if there are no tables."""
    if not inspect(conn).has_table("meta"):
        return 0
    value = conn.execute(select(schema.meta.c.value).where(schema.meta.c.key == "schema")).scalar()
    return int(value or 0)


def create(engine: Engine, address: str) -> None:
    """Make every table, in one transaction; harmless if another program was faster."""
    with transaction(engine, address, write=True) as conn:
        if version(conn) == 0:
            schema.metadata.create_all(conn)
            conn.execute(insert(schema.meta).values(key="schema", value=str(schema.SCHEMA_VERSION)))


def migrate(
    engine: Engine,
    address: str,
    found: int,
    steps: dict[int, Step] | None = None,
    goal: int = schema.SCHEMA_VERSION,
) -> None:
    """Run the steps from one version on, after a copy beside the file.

    Each step and the new version number are one transaction: a crash leaves the version before or after it.
    """
    steps = STEPS if steps is None else steps
    lock = None if is_url(address) else _lock_unless_ours(address)
    try:
        if not is_url(address):
            copy_beside(address, found)
        for number in range(found, goal):
            with transaction(engine, address, write=True) as conn:
                if version(conn) == number:
                    steps[number](conn)
                    conn.execute(
                        update(schema.meta).where(schema.meta.c.key == "schema").values(value=str(number + 1))
                    )
    finally:
        if lock is not None:
            lock.release()


def copy_beside(address: str, found: int) -> Path:
    """Copy the record beside itself, once for each version; return the copy's path.

    Raises
    ------
    StoreError
        If there is no room for it.
    """
    final = Path(f"{address}.schema{found}")
    if final.exists():
        return final
    size = Path(address).stat().st_size
    if shutil.disk_usage(final.parent).free < 1.1 * size:
        raise StoreError(
            f"no room for a copy of {address} ({size / 1e6:.0f} MB) before migrating it", "free some space"
        )
    part = Path(f"{final}.part")
    part.unlink(missing_ok=True)
    with sqlite3.connect(address) as old, sqlite3.connect(part) as new:
        old.backup(new)
    old.close()
    new.close()
    part.rename(final)
    folder = os.open(final.parent, os.O_RDONLY)  # the name has to outlast a power cut before the first step
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
    return final


def _lock_unless_ours(address: str) -> WriterLock | None:
    """Take the logger's lock; if this very process has it already, nothing is needed."""
    if WriterLock.held_here(address):
        return None
    lock = WriterLock(address)
    lock.take()
    return lock
