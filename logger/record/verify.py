"""Walking the chain: is every sealed day there, unchanged, in its place?"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from datetime import date
from typing import TYPE_CHECKING

from sqlalchemy import Connection, text

from logger.record.chain import ORIGIN, fingerprint, link
from logger.record.days import neighbour
from logger.record.sealing_index import all_sealed, record_of, sealed_blob
from logger.record.store_types import SealedDay

if TYPE_CHECKING:
    from logger.record.store import Store

_MOST_FAULTS = 1000


@dataclass(frozen=True, slots=True)
class Fault:
    """Something in the record that is not as it was sealed.

    Attributes
    ----------
    seq : int
        Place in the chain; 0 if it concerns the file as a whole.
    what : {"changed", "missing", "unreadable", "file"}
        Changed: blob or metadata. Missing: a place in the chain is empty. Unreadable: the blob's hash is
        right but it is not a day. File: SQLite itself finds it damaged.
    subject, day : str
        Whose day, where known.
    detail : str
        One sentence.
    """

    seq: int
    what: str
    subject: str
    day: str
    detail: str


@dataclass(frozen=True, slots=True)
class VerifyResult:
    """What walking the chain found.

    Attributes
    ----------
    days, row_count : int
        Sealed days that hold, newest revisions only, and their readings.
    superseded : tuple of (str, str, int)
        Subject, day and revision that a later revision replaces; kept, and part of the chain.
    absent : tuple of (str, str)
        Subject and day between its first and last sealed day for which nothing was ever sealed.
    faults : tuple of Fault
        Empty if all is well.
    chain_end : str
        The chain's last value: note it elsewhere, and cutting the end off will show.
    """

    days: int
    row_count: int
    superseded: tuple[tuple[str, str, int], ...]
    absent: tuple[tuple[str, str], ...]
    faults: tuple[Fault, ...]
    chain_end: str

    @property
    def ok(self) -> bool:
        """Whether nothing is changed or missing."""
        return not self.faults

    def as_json(self) -> str:
        """Return all of it as JSON."""
        return json.dumps({"ok": self.ok, **asdict(self)}, ensure_ascii=False)


def verify(store: Store, *, deep: bool = True) -> VerifyResult:
    """Walk the chain from its origin.

    Parameters
    ----------
    store : Store
    deep : bool
        Also check SQLite's own structures and that every blob can be decoded.
    """
    with store.reading() as conn:
        faults = _check_file(conn) if deep and conn.dialect.name == "sqlite" else []
        rows: list[SealedDay] = []
        end = _walk(conn, rows, faults, deep=deep)
    newest = {(r.kind, r.name, r.day): r for r in rows}
    bad = {f.seq for f in faults}
    good = [r for r in newest.values() if r.seq not in bad]
    return VerifyResult(
        days=len(good),
        row_count=sum(r.row_count for r in good),
        superseded=tuple((r.name, r.day, r.revision) for r in rows if newest[r.kind, r.name, r.day] is not r),
        absent=_absent(newest.values()),
        faults=tuple(faults[:_MOST_FAULTS]),
        chain_end=end,
    )


def check_blob(row: SealedDay, blob: bytes, *, deep: bool) -> str | None:
    """Return what is wrong with a sealed day's blob, or None."""
    if fingerprint(blob) != row.sha256:
        return "the readings are not those that were sealed: their hash differs"
    if not deep:
        return None
    from logger.record.sealing import decode_day

    try:
        table = decode_day(blob)
    except (OSError, ValueError) as error:
        return f"the readings cannot be decoded: {error}"
    if table.num_rows != row.row_count:
        return f"{table.num_rows} readings instead of {row.row_count}"
    return None


def _walk(conn: Connection, rows: list[SealedDay], faults: list[Fault], *, deep: bool) -> str:
    """Check every record in turn, collecting rows and faults; return the chain's last value."""
    previous, expected = ORIGIN, 1
    try:
        for row in all_sealed(conn):
            if row.seq != expected:
                missing = f"{expected}" if row.seq == expected + 1 else f"{expected} to {row.seq - 1}"
                faults.append(
                    Fault(expected, "missing", "", "", f"sealed day {missing} of the chain is gone")
                )
            elif link(previous, record_of(row).line()) != row.chain:
                faults.append(
                    Fault(row.seq, "changed", row.name, row.day, "its entry in the chain was changed")
                )
            wrong = check_blob(row, sealed_blob(conn, row.seq), deep=deep)
            if wrong is not None:
                what = "changed" if "hash" in wrong else "unreadable"
                faults.append(Fault(row.seq, what, row.name, row.day, wrong))
            rows.append(row)
            previous, expected = row.chain, row.seq + 1
    except Exception as error:
        from logger.record.store_engine import translate

        faults.append(Fault(0, "file", "", "", translate(error, "the record").message))
    return previous


def _check_file(conn: Connection) -> list[Fault]:
    try:
        said = [str(row[0]) for row in conn.execute(text("PRAGMA integrity_check(20)"))]
    except Exception as error:
        said = [str(getattr(error, "orig", error))]
        if not isinstance(getattr(error, "orig", error), sqlite3.Error):
            raise
    return [Fault(0, "file", "", "", f"SQLite: {line}") for line in said if line != "ok"]


def _absent(newest: Iterable[SealedDay]) -> tuple[tuple[str, str], ...]:
    """Return the days between each subject's first and last for which there is no sealed day."""
    days: dict[tuple[str, str], set[str]] = {}
    for row in newest:
        days.setdefault((row.kind, row.name), set()).add(row.day)
    out = []
    for (_, name), have in sorted(days.items()):
        day = min(have)
        while day < max(have):
            day = neighbour(day, 1)
            if day not in have:
                out.append((name, day))
                if date.fromisoformat(day).year < 2000:  # a clock that was never set: the span says nothing
                    break
    return tuple(out)
