"""Reading what can still be read of a corrupt SQLite file."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import fields
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from urllib.parse import quote

from adapters.errors import StoreError
from logger.record.store_engine import PAGE_BYTES
from logger.record.store_identity import ReadIdentity

CORRUPT = (sqlite3.Error, UnicodeDecodeError)
"""What reading a damaged file raises; the second where the name of a column is damaged."""
_MAGIC = b"SQLite format 3\x00"
_SKIPS_MS = (1, 1_000, 10_000, 60_000, 600_000, 3_600_000, 86_400_000)
_MISSES = 2000
"""Places in the chain that may be unreadable in a row before the end is assumed."""


def openable(old: Path, workplace: Path) -> Path:
    """Return a file that SQLite opens: the corrupt one itself, or a copy with its first page mended.

    Parameters
    ----------
    old : Path
        The corrupt record.
    workplace : Path
        An empty folder with room for a copy.

    Raises
    ------
    StoreError
        If even the mended copy cannot be opened.
    """
    if _opens(old):
        return old
    for mend in (_mend_header, _mend_first_page):
        copy = workplace / f"{mend.__name__}.db"
        shutil.copyfile(old, copy)
        mend(copy)
        if _opens(copy):
            return copy
        copy.unlink()
    raise StoreError(f"{old} is too damaged to open", "restore a backup")


def look_into(path: Path) -> sqlite3.Connection:
    """Open a file that must not be changed, with its write-ahead log if it has one."""
    return sqlite3.connect(f"file:{quote(str(path))}?mode=ro", uri=True, timeout=30)


def _opens(path: Path) -> bool:
    try:
        with closing(look_into(path)) as db:
            db.execute("SELECT count(*) FROM sqlite_master").fetchone()
            return bool(db.execute("SELECT 1 FROM sqlite_master WHERE name = 'sealed_day'").fetchone())
    except CORRUPT:
        return False


def _mend_header(path: Path) -> None:
    """Write the fields of the first 100 bytes that every record has alike.

    References
    ----------
    "Database File Format", sqlite.org/fileformat2.html, section 1.3.
    """
    with path.open("r+b") as file:
        header = bytearray(file.read(100).ljust(100, b"\x00"))
        header[0:16] = _MAGIC
        header[16:18] = PAGE_BYTES.to_bytes(2, "big")
        header[18:20] = b"\x01\x01"  # plain journal: the copy has no write-ahead log
        header[20:24] = bytes((0, 64, 32, 32))
        header[28:32] = (path.stat().st_size // PAGE_BYTES).to_bytes(4, "big")
        header[32:40] = bytes(8)  # no free pages: nothing will be written
        header[44:48] = (4).to_bytes(4, "big")
        header[52:56] = bytes(4)
        header[56:60] = (1).to_bytes(4, "big")
        header[92:96] = header[24:28]
        file.seek(0)
        file.write(header)


def _mend_first_page(path: Path) -> None:
    """Put the first page of a new record in place: tables of one schema version begin at the same pages."""
    from logger.record.store import Store

    with TemporaryDirectory(dir=path.parent) as folder:
        fresh = Path(folder) / "fresh.db"
        Store.open(fresh, write=True).close()
        page = fresh.read_bytes()[:PAGE_BYTES]
    with path.open("r+b") as file:
        file.write(page)
    _mend_header(path)


def rows_by_seq(db: sqlite3.Connection) -> Iterator[tuple[int, dict[str, Any] | None]]:
    """Yield every place of the chain with its row, or None where it cannot be read."""
    last = _last_seq(db)
    seq, missed = 0, 0
    while missed < _MISSES and (last is None or seq < last):
        seq += 1
        row = _one(db, "SELECT * FROM sealed_day WHERE seq = ?", (seq,))
        if row is None and last is None:
            missed += 1
            continue
        missed = 0
        yield seq, row


def _last_seq(db: sqlite3.Connection) -> int | None:
    row = _one(db, "SELECT max(seq) AS n FROM sealed_day", ())
    return None if row is None else int(row["n"] or 0)


def _one(db: sqlite3.Connection, query: str, values: tuple[Any, ...]) -> dict[str, Any] | None:
    try:
        cursor = db.execute(query, values)
        row = cursor.fetchone()
    except CORRUPT:
        return None
    return None if row is None else {c[0]: v for c, v in zip(cursor.description, row, strict=True)}


def rows_by_time(db: sqlite3.Connection, table: str) -> Iterator[dict[str, Any]]:
    """Yield the rows of a table of readings, passing over the parts that cannot be read."""
    after, skip = -(2**62), 0
    while True:
        try:
            cursor = db.execute(f"SELECT * FROM {table} WHERE time_ms > ? ORDER BY time_ms", (after,))  # noqa: S608 - our own table names
            names = [c[0] for c in cursor.description]
            for values in cursor:
                row = dict(zip(names, values, strict=True))
                if isinstance(row["time_ms"], int):
                    after, skip = max(after, row["time_ms"]), 0
                yield row
        except CORRUPT:
            if skip >= len(_SKIPS_MS) or after < 0:
                yield from _rows_backwards(db, table, after)
                return
            after += _SKIPS_MS[skip]
            skip += 1
        else:
            return


def _rows_backwards(db: sqlite3.Connection, table: str, until: int) -> Iterator[dict[str, Any]]:
    """Yield rows from the end back to `until`, as far as they can be read."""
    try:
        cursor = db.execute(f"SELECT * FROM {table} WHERE time_ms > ? ORDER BY time_ms DESC", (until,))  # noqa: S608 - our own table names
        names = [c[0] for c in cursor.description]
        for values in cursor:
            yield dict(zip(names, values, strict=True))
    except CORRUPT:
        return


def identities_of(db: sqlite3.Connection) -> list[ReadIdentity]:
    """Return what packs said about themselves, as far as readable; none in a record of before that."""
    columns = ", ".join(f.name for f in fields(ReadIdentity))
    try:
        rows = db.execute(f"SELECT {columns} FROM identity").fetchall()  # noqa: S608 - our own column names
    except CORRUPT:
        return []
    return [
        ReadIdentity(*row)
        for row in rows
        if all(isinstance(word, str) for word in row[:4]) and all(isinstance(ms, int) for ms in row[4:])
    ]


def names_of(db: sqlite3.Connection, table: str) -> dict[int, tuple[str, str]]:
    """Return number → (name, facts) of packs or witnesses, as far as readable."""
    try:
        cursor = db.execute(f"SELECT * FROM {table}")  # noqa: S608 - our own table names
        names = [c[0] for c in cursor.description]
        rows = [dict(zip(names, values, strict=True)) for values in cursor]
    except CORRUPT:
        return {}
    return {row["id"]: (row["name"], row.get("facts", "{}")) for row in rows}
