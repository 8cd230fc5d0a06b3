"""What still checks out of a corrupt record goes into another one."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

from adapters.base import Subject
from adapters.errors import StoreError
from logger.record.chain import fingerprint
from logger.record.salvage_file import identities_of, look_into, names_of, openable, rows_by_seq, rows_by_time
from logger.record.sealing import catalogue_of, decode_day
from logger.record.store_identity import adopt_identities
from logger.record.store_types import Adopted, wall_ms

if TYPE_CHECKING:
    import pyarrow as pa

    from logger.record.store import Store

_CHUNK = 100_000


@dataclass(frozen=True, slots=True)
class Salvaged:
    """What came out of a corrupt record.

    Attributes
    ----------
    days : int
        Sealed days whose hash was right and that could be decoded.
    lost_days : tuple of str
        What is known of those that could not: place in the chain, subject, day, why.
    hot_readings : int
        Hot readings with every value within its channel's range.
    refused : int
        Hot readings that cannot be right.
    outcome : Adopted
        What became of them in the new record.
    """

    days: int = 0
    lost_days: tuple[str, ...] = ()
    hot_readings: int = 0
    refused: int = 0
    outcome: Adopted = field(default_factory=Adopted)


def salvage(old: Path | str, into: Store) -> Salvaged:
    """Bring every sealed day and hot reading that still checks out into another record.

    It may be the record that is being logged into: days it has already become revisions. Doing it twice
    changes nothing.

    Parameters
    ----------
    old : Path or str
        The corrupt record; it is not changed.
    into : Store
        Open for writing.

    Raises
    ------
    StoreError
        If nothing can be read at all.
    """
    old = Path(old)
    if not old.is_file():
        raise StoreError(f"there is no file {old}")
    if Path(into.address).exists() and old.samefile(into.address):
        raise StoreError("a record cannot be salvaged into itself", "name a new file")
    with TemporaryDirectory(dir=Path(into.address).absolute().parent, prefix=".salvage-") as folder:
        path = openable(old, Path(folder))
        with closing(look_into(path)) as db:
            return _salvage(db, old.name, into)


def _salvage(db: sqlite3.Connection, name: str, into: Store) -> Salvaged:
    _subjects(db, into)
    with into.writing() as conn:
        adopt_identities(conn, identities_of(db))
    done = Salvaged()
    lost: list[str] = []
    with into.adopting(workers=0) as adopter:
        for subject, table in _sealed(db, lost):
            adopter.put(subject, table)
            done = replace(done, days=done.days + 1)
        for kind in ("witness", "pack"):
            for subject, table, refused in _hot(db, kind):
                done = replace(done, refused=done.refused + refused)
                if table is not None:
                    adopter.put(subject, table)
                    done = replace(done, hot_readings=done.hot_readings + table.num_rows)
        outcome = adopter.flush()
    done = replace(done, lost_days=tuple(lost), outcome=outcome)
    got = f"{done.days} sealed days and {done.hot_readings} readings"
    text = f"{got} salvaged from {name}; {len(lost)} days lost"
    now = wall_ms()
    into.event("salvage", text, start_ms=now, end_ms=now)
    return done


def _subjects(db: sqlite3.Connection, into: Store) -> None:
    known = set(into.subjects())
    for name, facts in names_of(db, "pack").values():
        if Subject(name) not in known:
            into.ensure_pack(name, facts)


def _sealed(db: sqlite3.Connection, lost: list[str]) -> Iterator[tuple[Subject, pa.Table]]:
    """Yield the readings of every sealed day that checks out, oldest revision first."""
    for seq, row in rows_by_seq(db):
        if row is None:
            lost.append(f"place {seq} of the chain: unreadable")
            continue
        who = f"place {seq} of the chain, {row['kind']} {row['name']} {row['day']}"
        if fingerprint(row["blob"] or b"") != row["sha256"]:
            lost.append(f"{who}: its hash differs")
            continue
        try:
            table = decode_day(row["blob"])
        except (OSError, ValueError) as error:
            lost.append(f"{who}: {error}")
            continue
        yield Subject(row["name"], "witness" if row["kind"] == "witness" else "pack"), table


def _hot(db: sqlite3.Connection, kind: str) -> Iterator[tuple[Subject, pa.Table | None, int]]:
    """Yield hot readings of each subject in chunks, with how many were refused."""
    key, source = ("source_id", "source") if kind == "witness" else ("pack_id", "pack")
    table = "witness_reading" if kind == "witness" else "reading"
    names = names_of(db, source)
    waiting: dict[int, list[dict[str, Any]]] = {}
    refused = 0
    for row in rows_by_time(db, table):
        if not plausible(row, kind):
            refused += 1
            continue
        rows = waiting.setdefault(row[key], [])
        rows.append(row)
        if len(rows) >= _CHUNK:
            yield _subject(names, row[key], kind), as_table(rows, kind), 0
            rows.clear()
    for number, rows in waiting.items():
        if rows:
            yield _subject(names, number, kind), as_table(rows, kind), 0
    if refused:
        yield Subject(""), None, refused


def _subject(names: dict[int, tuple[str, str]], number: int, kind: str) -> Subject:
    name = names[number][0] if number in names else f"{kind}-{number}"
    return Subject(name, "witness" if kind == "witness" else "pack")


def plausible(row: dict[str, Any], kind: str) -> bool:
    """Whether a hot row of a corrupt file can be right: whole numbers, each within its channel's range."""
    key = "source_id" if kind == "witness" else "pack_id"
    if not isinstance(row["time_ms"], int) or not 0 < row["time_ms"] < 2**43 or not isinstance(row[key], int):
        return False
    for name, channel in catalogue_of(kind).items():
        value = row.get(name)
        if value is None:
            continue
        if not isinstance(value, int) or not channel.low <= value * channel.scale <= channel.high * 1.000001:
            return False
    return True


def as_table(rows: list[dict[str, Any]], kind: str) -> pa.Table:
    """Return rows as a tidy table."""
    import pyarrow as pa

    from logger.record.sealing import tidy

    names = ["time_ms", *catalogue_of(kind)]
    return tidy(pa.table({n: pa.array([r.get(n) for r in rows], pa.int64()) for n in names}), kind)
