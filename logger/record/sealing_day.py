"""Sealing one day: prepared anywhere (also in another process), entered in one transaction.

Preparing encodes the day, decodes it again, compares and digests. Entering checks that nothing changed
meanwhile, stores blob, chain value and digest, reads the blob back from the file, deletes the rows:
a crash leaves either the rows or the sealed day, never neither.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from hashlib import sha256
from typing import TYPE_CHECKING, Any, TypeAlias
from zoneinfo import ZoneInfo

from sqlalchemy import Connection

from adapters.base import Subject
from adapters.errors import StoreDamaged, StoreError
from logger.record import sealing_index, store_read, store_write
from logger.record.chain import fingerprint
from logger.record.days import day_bounds, day_bounds_ms, neighbour
from logger.record.sealing_index import KeptDigest

if TYPE_CHECKING:
    import pyarrow as pa

    from analysis.facts import PackFacts

Known: TypeAlias = "Mapping[tuple[Subject, str], pa.Table]"
"""Days on their way into the record, by subject and date."""


class OutdatedError(StoreError):
    """The day changed while its sealing was prepared. Prepare it again."""


@dataclass(frozen=True, slots=True)
class Job:
    """A day to be prepared; it can be sent to another process.

    Attributes
    ----------
    subject, day, zone
        Whose day, its local date, the time zone's name.
    table : pyarrow.Table
        All readings of the day, tidy.
    lead : pyarrow.Table or None
        The half hour before, tidy.
    facts : PackFacts or None
        For the digest; None for a witness.
    witnesses : mapping of str to pyarrow.Table
        The same day of every witness.
    supersedes, revision
        The sealed revision it was made from, if any, and its own number.
    hot_rows, hot_print
        How many of the readings are hot rows that are to be deleted, and the fingerprint of those rows.
    until_s : float or None
        Where a day that is not over ends for now, UTC epoch seconds. [s]
    """

    subject: Subject
    day: str
    zone: str
    table: pa.Table
    lead: pa.Table | None
    facts: PackFacts | None
    witnesses: Mapping[str, pa.Table]
    supersedes: int | None
    revision: int
    hot_rows: int
    hot_print: str
    until_s: float | None = None


@dataclass(frozen=True, slots=True)
class Prepared:
    """A day ready to be entered."""

    subject: Subject
    day: str
    zone: str
    supersedes: int | None
    revision: int
    hot_rows: int
    hot_print: str
    row_count: int
    first_ms: int
    last_ms: int
    blob: bytes
    sha256: str
    digest: KeptDigest | None


def facts_print(facts: PackFacts) -> str:
    """Return a short fingerprint of a pack's facts."""
    return sha256(repr(facts).encode()).hexdigest()[:16]


def prepare(job: Job) -> Prepared:
    """Encode, decode, compare, digest.

    Raises
    ------
    StoreError
        If the blob does not give back what was put in.
    """
    from logger.record.sealing import decode_day, encode_day

    blob = encode_day(job.table)
    if not decode_day(blob).equals(job.table):
        raise StoreError(
            f"the sealed form of {job.subject.name} {job.day} does not give its readings back; rows kept"
        )
    times = job.table.column("time_ms")
    return Prepared(
        subject=job.subject,
        day=job.day,
        zone=job.zone,
        supersedes=job.supersedes,
        revision=job.revision,
        hot_rows=job.hot_rows,
        hot_print=job.hot_print,
        row_count=job.table.num_rows,
        first_ms=times[0].as_py(),
        last_ms=times[-1].as_py(),
        blob=blob,
        sha256=fingerprint(blob),
        digest=make_digest(job),
    )


def make_digest(job: Job) -> KeptDigest | None:
    """Return the digest of a pack's day, as it is kept; None for a witness."""
    if job.facts is None:
        return None
    from analysis import digest as digests
    from logger.record.store_frames import to_frame, to_witness

    bounds = day_bounds(job.day, ZoneInfo(job.zone))
    if job.until_s is not None:
        bounds = (bounds[0], min(bounds[1], job.until_s))
    frame = to_frame(job.subject.name, job.day, bounds, job.table, job.lead)
    witnesses = [to_witness(name, table) for name, table in job.witnesses.items()]
    core, detail = digests.dumps(digests.digest(frame, job.facts, witnesses))
    return KeptDigest(job.day, 0, digests.VERSION, facts_print(job.facts), core, detail)


def gather(
    conn: Connection,
    subject: Subject,
    day: str,
    zone: ZoneInfo,
    extra: pa.Table | None = None,
    known: Known | None = None,
) -> Job | None:
    """Collect all that sealing a day needs.

    Parameters
    ----------
    conn : Connection
    subject, day, zone
        Whose day, its date and zone.
    extra : pyarrow.Table, optional
        Readings that are not in the record yet; their values stand before those kept.
    known : mapping, optional
        Days on their way into the record, by subject and date.

    Returns
    -------
    Job or None
        None if the record already says all of it.
    """
    from logger.record.sealing import decode_day, merge, tidy

    number = store_read.subjects(conn)[subject]
    bounds = day_bounds_ms(day, zone)
    sealed = sealing_index.latest_sealed(conn, subject, day)
    before = None if sealed is None else decode_day(sealing_index.sealed_blob(conn, sealed.seq))
    hot = store_read.hot_table(conn, subject.kind, number, bounds)
    table = hot if before is None else merge(before, hot, subject.kind)
    if extra is not None:
        table = merge(table, tidy(extra, subject.kind), subject.kind)
    if table.num_rows == 0 or (before is not None and hot.num_rows == 0 and table.equals(before)):
        return None
    is_pack = subject.kind == "pack"
    return Job(
        subject=subject,
        day=day,
        zone=zone.key,
        table=table,
        lead=lead_of(conn, subject, day, bounds[0], known or {}) if is_pack else None,
        facts=store_read.facts_of(conn, subject.name) if is_pack else None,
        witnesses=witness_tables(conn, day, bounds, known or {}) if is_pack else {},
        supersedes=None if sealed is None else sealed.seq,
        revision=1 if sealed is None else sealed.revision + 1,
        hot_rows=hot.num_rows,
        hot_print=table_print(hot),
    )


def lead_of(conn: Connection, subject: Subject, day: str, start_ms: int, known: Known) -> pa.Table | None:
    """Return the half hour before a day, or None."""
    import pyarrow.compute as pc

    from logger.record.sealing import LEAD_MS

    before = neighbour(day, -1)
    table = known.get((subject, before))
    if table is None:
        return store_read.tail_table(conn, subject, store_read.subjects(conn)[subject], before, start_ms)
    return table.filter(pc.greater_equal(table["time_ms"], start_ms - LEAD_MS))


def witness_tables(
    conn: Connection, day: str, bounds_ms: tuple[int, int], known: Known
) -> dict[str, pa.Table]:
    """Return what every witness saw of a day."""
    tables = {}
    for subject, number in store_read.subjects(conn).items():
        if subject.kind == "witness":
            table = known.get((subject, day))
            tables[subject.name] = (
                store_read.day_table(conn, subject, number, day, bounds_ms) if table is None else table
            )
    return {name: table for name, table in tables.items() if table.num_rows}


def enter(conn: Connection, prepared: Sequence[Prepared], now_ms: int) -> None:
    """Enter prepared days and delete their hot rows.

    Raises
    ------
    OutdatedError
        If a day changed since it was gathered; the transaction must then be rolled back.
    StoreDamaged
        If the file gives back another blob than was written.
    """
    numbers = store_read.subjects(conn)
    for kind in ("witness", "pack"):
        spans = []
        for made in (one for one in prepared if one.subject.kind == kind):
            bounds = day_bounds_ms(made.day, ZoneInfo(made.zone))
            _enter_one(conn, made, numbers[made.subject], bounds, now_ms)
            if made.hot_rows:
                spans.append((numbers[made.subject], bounds))
        if spans:
            store_write.delete_hot(conn, kind, spans)


def _enter_one(conn: Connection, made: Prepared, number: int, bounds: tuple[int, int], now_ms: int) -> None:
    latest = sealing_index.latest_sealed(conn, made.subject, made.day)
    if (None if latest is None else latest.seq) != made.supersedes:
        raise OutdatedError(f"{made.subject.name} {made.day} was sealed by another program")
    if made.hot_rows or store_read.hot_count(conn, made.subject.kind, number, bounds):
        _compare_hot(conn, made, number, bounds)
    seq = sealing_index.add_sealed(conn, _row(made, now_ms), made.blob)
    if fingerprint(sealing_index.sealed_blob(conn, seq)) != made.sha256:
        raise StoreDamaged(
            f"the file did not give back {made.subject.name} {made.day} as written; the rows are kept"
        )
    _keep_digests(conn, made, seq)


def _compare_hot(conn: Connection, made: Prepared, number: int, bounds: tuple[int, int]) -> None:
    """Check, under the write lock, that the hot rows about to be deleted are those the blob was made from."""
    hot = store_read.hot_table(conn, made.subject.kind, number, bounds)
    if table_print(hot) != made.hot_print:
        raise OutdatedError(f"{made.subject.name} {made.day} got more readings while it was being sealed")


def table_print(table: pa.Table) -> str:
    """Return a fingerprint of a tidy table's columns and values."""
    import pyarrow as pa

    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, table.schema) as writer:
        writer.write_table(table.combine_chunks())
    return sha256(sink.getvalue()).hexdigest()


def _row(made: Prepared, now_ms: int) -> dict[str, Any]:
    return {
        "kind": made.subject.kind,
        "name": made.subject.name,
        "day": made.day,
        "zone": made.zone,
        "revision": made.revision,
        "supersedes": made.supersedes,
        "row_count": made.row_count,
        "first_ms": made.first_ms,
        "last_ms": made.last_ms,
        "sha256": made.sha256,
        "sealed_ms": now_ms,
    }


def _keep_digests(conn: Connection, made: Prepared, seq: int) -> None:
    """Keep the day's digest; forget those that looked at an older form of this day."""
    if made.digest is None:
        sealing_index.drop_digests(conn, None, made.day)
        return
    sealing_index.keep_digest(conn, made.subject.name, replace(made.digest, seq=seq))
    sealing_index.drop_digests(conn, made.subject.name, neighbour(made.day, 1))
