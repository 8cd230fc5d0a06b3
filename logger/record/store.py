"""The record: one file (or a server's URL) that is opened, added to and asked."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, Engine

from adapters.base import Subject
from adapters.errors import StoreError
from logger.record import migrate, store_read, store_results, store_write
from logger.record.address import shown
from logger.record.days import day_bounds, day_bounds_ms, zone
from logger.record.store_engine import check_place, file_exists, is_url, make_engine, transaction
from logger.record.store_lock import WriterLock
from logger.record.store_types import Adopted, Event, SealedDay, Stamped, wall_ms

if TYPE_CHECKING:
    import pyarrow as pa

    from analysis.digest import DayDigest
    from analysis.facts import PackFacts
    from analysis.finding import Finding
    from analysis.frame import Frame, WitnessFrame
    from logger.record.store_adopt import Adopter
    from logger.record.store_identity import ReadIdentity
    from logger.record.verify import VerifyResult

__all__ = ["Adopted", "Event", "SealedDay", "Stamped", "Store"]


class Store:
    """A record that is open. Safe to use from several threads; each call is one transaction."""

    def __init__(self, address: str, engine: Engine, *, write: bool, lock: WriterLock | None) -> None:
        self.address = address
        self.write = write
        self._engine = engine
        self._lock = lock
        self._numbers: dict[Subject, int] = {}
        self._zone: ZoneInfo | None = None

    @classmethod
    def open(
        cls, address: str | Path, *, write: bool = False, logging: bool = False, timezone: str | None = None
    ) -> Store:
        """Open a record, making it if it is to be written and is not there.

        Parameters
        ----------
        address : str or Path
            A file, or a database server's URL.
        write : bool
            Whether anything may change. Several programs may write a record, in turn.
        logging : bool
            Whether this is the one logger of the record; implies `write`.
        timezone : str, optional
            The site's time zone, kept in the record from the first time it is given.

        Raises
        ------
        StoreLocked
            If another logger has it.
        StoreDamaged
            If it is corrupt.
        StoreError
            If it is not there, or from a later version.
        """
        address, write = str(address), write or logging
        lock = None
        if not is_url(address):
            check_place(address, write=write)
            if not write and not file_exists(address):
                raise StoreError(
                    f"there is no record at {address}", "run `bankbook log` or `bankbook import` first"
                )
            if logging:
                lock = WriterLock(address)
                lock.take()
        engine = make_engine(address, write=write)
        store = cls(address, engine, write=write, lock=lock)
        try:
            migrate.bring_up(engine, address, write=write)
            if timezone is not None:
                store.set_timezone(timezone)
        except BaseException:
            store.close()
            raise
        return store

    def close(self) -> None:
        """Let go of the record. May be called twice."""
        self._engine.dispose()
        if self._lock is not None:
            self._lock.release()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def reading(self) -> AbstractContextManager[Connection]:
        """Return a transaction that only reads: one state of the record throughout."""
        return transaction(self._engine, self.address, write=False)

    def writing(self) -> AbstractContextManager[Connection]:
        """Return a transaction that may write."""
        if not self.write:
            raise StoreError(f"{shown(self.address)} was opened for reading only")
        return transaction(self._engine, self.address, write=True)

    # site and subjects

    @property
    def zone(self) -> ZoneInfo:
        """The site's time zone; UTC until one is set."""
        if self._zone is None:
            with self.reading() as conn:
                self._zone = zone(store_read.get_meta(conn, "timezone") or "UTC")
        return self._zone

    def set_timezone(self, name: str) -> None:
        """Set the site's time zone. Days sealed before keep theirs."""
        self._zone = zone(name)
        if self.write:
            with self.writing() as conn:
                if store_read.get_meta(conn, "timezone") != name:
                    store_write.set_meta(conn, "timezone", name)

    def ensure_pack(self, name: str, facts: PackFacts | str | None = None) -> None:
        """Enter a pack, or replace the facts kept of it."""
        with self.writing() as conn:
            number = store_write.ensure_subject(conn, Subject(name), wall_ms(), facts)
        self._numbers[Subject(name)] = number

    def ensure_witness(self, name: str) -> None:
        """Enter a witness."""
        subject = Subject(name, "witness")
        with self.writing() as conn:
            number = store_write.ensure_subject(conn, subject, wall_ms())
        self._numbers[subject] = number

    def subjects(self) -> tuple[Subject, ...]:
        """Return every pack and witness of the record."""
        with self.reading() as conn:
            return tuple(store_read.subjects(conn))

    def facts(self, pack: str) -> PackFacts:
        """Return the facts kept of a pack."""
        with self.reading() as conn:
            return store_read.facts_of(conn, pack)

    def number(self, subject: Subject) -> int:
        """Return the number a subject has in the tables, entering it if it is new."""
        if subject not in self._numbers:
            with self.writing() as conn:
                number = store_write.ensure_subject(conn, subject, wall_ms())
            self._numbers[subject] = number  # only once it is in the record
        return self._numbers[subject]

    # readings

    def append(self, batch: Sequence[Stamped]) -> None:
        """Add stamped readings in one transaction. None overwrites another.

        Raises
        ------
        StoreFull
            If the disk is full or read-only; nothing was added.
        """
        numbers = {s: self.number(s) for s in {one.subject for one in batch}}
        with self.writing() as conn:
            store_write.add_readings(conn, batch, numbers)

    def latest(self, subject: Subject) -> Stamped | None:
        """Return the newest hot reading of a subject."""
        with self.reading() as conn:
            number = store_read.subjects(conn).get(subject)
            row = None if number is None else store_read.latest_row(conn, subject.kind, number)
        if row is None:
            return None
        values = {k: v for k, v in row.items() if v is not None and k in store_write.blank(subject.kind)}
        return Stamped(subject, row["time_ms"], values, row["provisional"])

    def table(self, subject: Subject, day: str) -> pa.Table:
        """Return a subject's day, sealed or hot, as integers at the catalogue's scales."""
        with self.reading() as conn:
            number = store_read.subjects(conn).get(subject, 0)
            return store_read.day_table(conn, subject, number, day, day_bounds_ms(day, self.zone))

    def frame(self, pack: str, day: str) -> Frame:
        """Return a pack's day as the analysis reads it, with its lead-in; empty if there is none."""
        from logger.record.sealing_day import lead_of
        from logger.record.store_frames import to_frame

        subject, bounds = Subject(pack), day_bounds_ms(day, self.zone)
        with self.reading() as conn:
            number = store_read.subjects(conn).get(subject, 0)
            table = store_read.day_table(conn, subject, number, day, bounds)
            lead = lead_of(conn, subject, day, bounds[0], {}) if number else None
        return to_frame(pack, day, day_bounds(day, self.zone), table, lead)

    def witness_frames(self, day: str) -> tuple[WitnessFrame, ...]:
        """Return what every witness saw of a day."""
        from logger.record.sealing_day import witness_tables
        from logger.record.store_frames import to_witness

        with self.reading() as conn:
            tables = witness_tables(conn, day, day_bounds_ms(day, self.zone), {})
        return tuple(to_witness(name, table) for name, table in tables.items())

    def sealed_days(
        self, pack: str | None = None, *, first: str | None = None, last: str | None = None
    ) -> list[SealedDay]:
        """Return the newest revision of every sealed day, of one pack or of all subjects."""
        from logger.record.sealing_index import sealed_days

        with self.reading() as conn:
            return sealed_days(conn, None if pack is None else Subject(pack), first, last)

    def newest_day(self) -> str | None:
        """Return the newest sealed day of any subject; None before the first."""
        from logger.record.sealing_index import newest_day

        with self.reading() as conn:
            return newest_day(conn)

    def days(self, subject: Subject) -> list[str]:
        """Return every local day with readings of a subject, sealed or hot."""
        from logger.record.sealing_index import sealed_days
        from logger.record.store_digests import hot_days

        with self.reading() as conn:
            sealed = {s.day for s in sealed_days(conn, subject)}
            return sorted(sealed | set(hot_days(conn, subject, self.zone, None, None)))

    def digests(
        self,
        pack: str,
        first: str | None = None,
        last: str | None = None,
        *,
        detail_from: str | None = None,
        now_ms: int | None = None,
    ) -> list[DayDigest]:
        """Return the digest of every day with readings; made again where code or facts changed since.

        Parameters
        ----------
        pack : str
        first, last : str, optional
            Days, inclusive.
        detail_from : str, optional
            Days before it come without the fields of `analysis.digest.DETAIL`; if not given, all are whole.
        now_ms : int, optional
            A day that ends after it ends at its last reading so far. [ms UTC]
        """
        from logger.record.store_digests import load_digests

        return load_digests(self, pack, first, last, detail_from, wall_ms() if now_ms is None else now_ms)

    # sealing and adopting

    def seal_due(
        self, now_ms: int | None = None, *, on_day: Callable[[str, str], None] | None = None
    ) -> list[SealedDay]:
        """Seal every day that is over; return what was sealed. `on_day` hears of each before it is."""
        from logger.record.sealing_due import seal_due

        return seal_due(self, wall_ms() if now_ms is None else now_ms, on_day)

    def adopting(self, *, now_ms: int | None = None, workers: int = 2) -> Adopter:
        """Return a context that takes many tables and prepares their days in worker processes."""
        from logger.record.store_adopt import Adopter

        return Adopter(self, now_ms=wall_ms() if now_ms is None else now_ms, workers=workers)

    def adopt(
        self, subject: Subject | str, table: pa.Table, *, now_ms: int | None = None, workers: int = 0
    ) -> Adopted:
        """Take readings: days that are over become sealed days or revisions, today's become hot rows."""
        with self.adopting(now_ms=now_ms, workers=workers) as adopter:
            adopter.put(Subject(subject) if isinstance(subject, str) else subject, table)
            return adopter.flush()

    # events and results

    def event(
        self,
        kind: str,
        detail: str,
        *,
        subject: str = "",
        start_ms: int | None = None,
        end_ms: int | None = None,
    ) -> int:
        """Enter an event; return its number. One that is over at once has both times alike."""
        start = wall_ms() if start_ms is None else start_ms
        with self.writing() as conn:
            return store_write.add_event(conn, kind, subject, detail, start, end_ms)

    def end_event(self, number: int, end_ms: int | None = None) -> None:
        """Say when an event ended."""
        with self.writing() as conn:
            store_write.end_event(conn, number, wall_ms() if end_ms is None else end_ms)

    def events(
        self,
        first_ms: int | None = None,
        last_ms: int | None = None,
        kind: str | None = None,
        limit: int = 1000,
    ) -> list[Event]:
        """Return the newest events that touch a span of time, in order."""
        with self.reading() as conn:
            return store_read.read_events(conn, first_ms, last_ms, kind, limit)

    def identities(self, subject: str | None = None) -> list[ReadIdentity]:
        """Return what packs and witnesses said about themselves, oldest first."""
        from logger.record.store_identity import load_identities

        with self.reading() as conn:
            return load_identities(conn, subject)

    def save_findings(self, found: Sequence[Finding], now_ms: int | None = None) -> None:
        """Keep what stands now; findings that no longer do are marked gone."""
        with self.writing() as conn:
            store_results.save_findings(conn, found, wall_ms() if now_ms is None else now_ms)

    def findings(self, *, standing: bool = True) -> list[Finding]:
        """Return the findings kept."""
        with self.reading() as conn:
            return store_results.load_findings(conn, standing=standing)

    def save_report(
        self, kind: str, first_day: str, last_day: str, numbers: str, now_ms: int | None = None
    ) -> int:
        """Keep the numbers of a report, as JSON."""
        with self.writing() as conn:
            made = wall_ms() if now_ms is None else now_ms
            return store_results.save_report(conn, kind, first_day, last_day, numbers, made)

    def reports(self, kind: str | None = None) -> list[dict[str, Any]]:
        """Return the reports kept."""
        with self.reading() as conn:
            return store_results.load_reports(conn, kind)

    def meta(self, key: str) -> str | None:
        """Return one named text of the record."""
        with self.reading() as conn:
            return store_read.get_meta(conn, key)

    def set_meta(self, key: str, value: str) -> None:
        """Keep one named text."""
        with self.writing() as conn:
            store_write.set_meta(conn, key, value)

    def verify(self, *, deep: bool = True) -> VerifyResult:
        """Walk the chain and check every blob; see `logger.record.verify`."""
        from logger.record.verify import verify

        return verify(self, deep=deep)
