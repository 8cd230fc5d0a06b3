"""Open a record that a power cut left, check it whole, and compare it with what was said to be safe."""

import contextlib
import shutil
import sqlite3
import tempfile
from pathlib import Path
from typing import Any

from sqlalchemy import text
from writer import PER_DAY, newest, number, values

from adapters.errors import BankbookError
from logger.record.schema import SCHEMA_VERSION
from logger.record.store import Store


def look(record: Path, committed_ms: int, sealed_ms: int, migrated: bool) -> dict[str, Any]:
    """Return what is left and what is wrong with it.

    Parameters
    ----------
    record : Path
        May be changed: a writer opens it, as the logger would after the cut.
    committed_ms, sealed_ms : int
        Up to where everything was said to be committed and sealed; 0: nowhere. [ms]
    migrated : bool
        Whether a migration was said to be done at any time before.

    Returns
    -------
    dict
        `wrong`: list of what must never be; `missing`: committed readings of one pack that are not there.
    """
    wanted = number(committed_ms) + 1 if committed_ms else 0
    if not record.exists():
        return {"wrong": ["no file"] if wanted else [], "missing": wanted, "schema": None}
    wrong: list[str] = []
    was = schema_before(record)
    copy = Path(f"{record}.schema1")
    if copy.exists():
        wrong += [f"copy before migrating: {w}" for w in whole(copy, schema="1")]
    elif migrated and was == str(SCHEMA_VERSION):
        wrong.append("migrated, but the copy from before is not there")
    saved = record.with_suffix(".backup")
    if saved.exists():
        wrong += [f"backup: {w}" for w in whole(saved)]
        with Store.open(saved) as store:
            wrong += [] if store.verify().ok else ["backup: its chain does not hold"]
    try:
        with Store.open(record, logging=True, timezone="UTC") as store:
            verified = store.verify()
            wrong += [f"verify: {fault}" for fault in verified.faults]
            have = {p: newest(store, p) + 1 for p in "AB"}
            days = min(len(store.sealed_days(p)) for p in "AB")
            for pack in "AB":
                wrong += holes(store, pack, have[pack])
    except BankbookError as error:
        return {"wrong": [*wrong, f"does not open: {error}"], "missing": wanted, "schema": was}
    wrong += whole(record, schema=str(SCHEMA_VERSION))
    if have["A"] != have["B"]:
        wrong.append(f"half a batch: {have}")
    sealed_wanted = number(sealed_ms) // PER_DAY if sealed_ms else 0
    return {"wrong": wrong, "missing": max(wanted - min(have.values()), 0), "schema": was,
            "sealed_days": days, "sealed_missing": max(sealed_wanted - days, 0),
            "readings": min(have.values()), "backup": saved.exists(), "copy": copy.exists()}  # fmt: skip


def schema_before(record: Path) -> str | None:
    """Return the schema of the record as it lies there, looked at in a copy."""
    with tempfile.TemporaryDirectory() as folder:
        for suffix in ("", "-wal"):
            with contextlib.suppress(FileNotFoundError):
                shutil.copyfile(f"{record}{suffix}", Path(folder) / f"x{suffix}")
        with contextlib.closing(sqlite3.connect(Path(folder) / "x")) as db:
            try:
                row = db.execute("SELECT value FROM meta WHERE key = 'schema'").fetchone()
            except sqlite3.Error:
                return None
    return None if row is None else str(row[0])


def whole(file: Path, schema: str | None = None) -> list[str]:
    """Return what is wrong with a database file."""
    with contextlib.closing(sqlite3.connect(file)) as db:
        try:
            said = db.execute("PRAGMA integrity_check").fetchone()[0]
            found = db.execute("SELECT value FROM meta WHERE key = 'schema'").fetchone()[0]
        except sqlite3.Error as error:
            return [str(error)]
    wrong = [] if said == "ok" else [f"integrity: {said}"]
    return wrong if schema in (None, found) else [*wrong, f"schema {found} instead of {schema}"]


def holes(store: Store, pack: str, have: int) -> list[str]:
    """Return whether a pack's readings are all there up to the newest, and the hot ones as they were made."""
    columns = ", ".join(values(0))
    with store.reading() as conn:
        sealed = sum(d.row_count for d in store.sealed_days(pack))
        rows = conn.execute(
            text(f"SELECT time_ms, {columns} FROM reading JOIN pack ON pack_id = pack.id WHERE name = :p"),
            {"p": pack},
        ).all()
    wrong = [] if sealed + len(rows) == have else [f"{pack}: {sealed} + {len(rows)} readings, not {have}"]
    if any(list(r[1:]) != list(values(number(r[0])).values()) for r in rows):
        wrong.append(f"{pack}: a hot reading is not as it was made")
    return wrong
