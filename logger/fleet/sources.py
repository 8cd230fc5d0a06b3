"""Where the desk finds the days of many banks: the central database, or a folder of exported Parquet days.

Both give the same things: which banks there are, the packs of each with their facts, which days, and the
table of one day. Nothing here holds more than one day in memory.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from sqlalchemy import Connection, Engine, func, select

from adapters.errors import BankbookError, ConfigError
from logger.fleet import address, central, kept, summary
from logger.fleet.kept import Bodies, Key
from logger.record.store_read import facts_from
from logger.record.store_results import finding_from

if TYPE_CHECKING:
    import pyarrow as pa

    from analysis.facts import PackFacts
    from analysis.finding import Finding
    from analysis.fleet.peers import PackSummary


DIGESTS = "_digests.db"
"""In a folder of days; engines that read such folders pass over names with a line before them."""
READINGS = "readings.parquet"


@dataclass(frozen=True, slots=True)
class DayRef:
    """One day of one subject of a bank.

    `kind` is "pack" or "witness"; `seq` tells contents of one day apart: its place in the bank's chain, or
    when its file was written.
    """

    kind: str
    name: str
    day: str
    zone: str
    seq: int


class FleetSource(Protocol):
    """What compute and desk need of a store of many banks."""

    def banks(self) -> list[str]:
        """Return the names of the banks, in order."""
        ...

    def packs(self, bank: str) -> dict[str, PackFacts]:
        """Return the packs of a bank with their facts."""
        ...

    def days(self, bank: str) -> list[DayRef]:
        """Return the newest revision of every day of a bank, by day."""
        ...

    def last_day(self, bank: str) -> str:
        """Return the newest day of any pack of a bank, "" if there is none."""
        ...

    def table(self, bank: str, ref: DayRef) -> pa.Table:
        """Return one day, tidy."""
        ...

    def have(self, bank: str, version: int) -> set[Key]:
        """Return which digests are there already, by (pack, day, seq)."""
        ...

    def kept(self, bank: str, version: int) -> dict[Key, Bodies]:
        """Return those digests."""
        ...

    def keep(self, bank: str, pack: str, made: Sequence[tuple[str, Bodies]]) -> bool:
        """Keep digests of this version that were computed here; False where that cannot be."""
        ...

    def findings(self, bank: str) -> tuple[Finding, ...] | None:
        """Return the findings the bank itself sent last, None if it never sent any."""
        ...

    def summary(self, bank: str) -> tuple[PackSummary, ...] | None:
        """Return the summary the bank itself sent last, None if it never sent one."""
        ...


def open_source(place: str) -> FleetSource:
    """Return the source behind a URL or a folder's name.

    Raises
    ------
    ConfigError
        If there is neither.
    """
    if "://" in place:
        return CentralSource(place)
    folder = Path(place)
    if not folder.is_dir():
        raise ConfigError(f"{place} is neither a folder nor a database's address", "name the export's folder")
    return FolderSource(folder)


def _prints(packs: dict[str, PackFacts]) -> dict[str, str]:
    from logger.record.sealing_day import facts_print

    return {name: facts_print(facts) for name, facts in packs.items()}


def _keep(
    source: FleetSource, engine: Engine, bank: str, pack: str, made: Sequence[tuple[str, Bodies]]
) -> bool:
    seqs = {r.day: r.seq for r in source.days(bank) if (r.kind, r.name) == ("pack", pack)}
    facts = _prints(source.packs(bank))[pack]
    try:
        kept.keep(engine, bank, pack, facts, [(day, seqs[day], bodies) for day, bodies in made])
    except BankbookError:
        return False  # not allowed to add, or another desk was faster: they are used all the same
    return True


class CentralSource:
    """The central database."""

    def __init__(self, url: str) -> None:
        self._engine = address.connect(url)

    @contextmanager
    def _conn(self) -> Iterator[Connection]:
        with address.speaking(self._engine), self._engine.connect() as conn:
            yield conn

    def banks(self) -> list[str]:
        """Return the names of the banks, in order."""
        with self._conn() as conn:
            central.require(conn, address.place(self._engine))
            bank = central.pack.c.bank
            return list(conn.execute(select(bank).distinct().order_by(bank)).scalars())

    def packs(self, bank: str) -> dict[str, PackFacts]:
        """Return the packs of a bank with the facts sent last."""
        p = central.pack
        query = select(p.c.name, p.c.facts).where(p.c.bank == bank).order_by(p.c.sent_ms)
        with self._conn() as conn:
            return {row.name: facts_from(json.loads(row.facts), row.name) for row in conn.execute(query)}

    def days(self, bank: str) -> list[DayRef]:
        """Return the newest revision of every day of a bank, by day."""
        d = central.day
        query = (
            select(d.c.kind, d.c.name, d.c.day, d.c.zone, d.c.seq)
            .where(d.c.bank == bank)
            .order_by(d.c.day, d.c.revision)
        )
        with self._conn() as conn:
            newest = {(r.kind, r.name, r.day): DayRef(*r) for r in conn.execute(query)}
        return list(newest.values())

    def table(self, bank: str, ref: DayRef) -> pa.Table:
        """Return one day, tidy."""
        from logger.record.sealing import decode_day

        d = central.day
        with self._conn() as conn:
            blob = conn.execute(select(d.c.blob).where(d.c.bank == bank, d.c.seq == ref.seq)).scalar_one()
        return decode_day(bytes(blob))

    def last_day(self, bank: str) -> str:
        """Return the newest day of any pack of a bank, "" if there is none."""
        d = central.day
        with self._conn() as conn:
            query = select(func.max(d.c.day)).where(d.c.bank == bank, d.c.kind == "pack")
            return str(conn.execute(query).scalar() or "")

    def have(self, bank: str, version: int) -> set[Key]:
        """Return which digests by this version of the code and of the facts sent last are there."""
        return kept.have(self._engine, bank, version, _prints(self.packs(bank)))

    def kept(self, bank: str, version: int) -> dict[Key, Bodies]:
        """Return those digests."""
        return kept.kept(self._engine, bank, version, _prints(self.packs(bank)))

    def keep(self, bank: str, pack: str, made: Sequence[tuple[str, Bodies]]) -> bool:
        """Add digests computed here to those there; False if this user may not."""
        return _keep(self, self._engine, bank, pack, made)

    def findings(self, bank: str) -> tuple[Finding, ...] | None:
        """Return the findings sent last, None if none ever were."""
        f = central.finding
        newest = select(func.max(f.c.sent_ms)).where(f.c.bank == bank).scalar_subquery()
        query = select(f.c.body).where(f.c.bank == bank, f.c.sent_ms == newest).order_by(f.c.number)
        with self._conn() as conn:
            bodies = list(conn.execute(query).scalars())
        if not bodies:
            return None
        return tuple(finding_from(body) for body in bodies if body != "null")

    def summary(self, bank: str) -> tuple[PackSummary, ...] | None:
        """Return the summary sent last, None if none ever was."""
        r = central.report
        query = (
            select(r.c.numbers)
            .where(r.c.bank == bank, r.c.kind == summary.KIND)
            .order_by(r.c.made_ms.desc())
            .limit(1)
        )
        with self._conn() as conn:
            text = conn.execute(query).scalar()
        return None if text is None else summary.loads(bank, text)


class FolderSource:
    """A folder of exported days: site=NAME/pack=NAME/day=DATE, and site=NAME/_bank.json.

    Digests computed from it are kept beside the days, in `DIGESTS`.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._engine = address.connect(f"sqlite:///{folder / DIGESTS}")

    def banks(self) -> list[str]:
        """Return the names of the banks, in order."""
        return sorted(p.name.removeprefix("site=") for p in self._folder.glob("site=*") if p.is_dir())

    def _about(self, bank: str) -> dict[str, Any]:
        path = self._folder / f"site={bank}" / "_bank.json"
        try:
            return dict(json.loads(path.read_text()))
        except (OSError, ValueError) as error:
            raise ConfigError(
                f"{path} is missing or not JSON: {error}",
                "export that bank again with `bankbook export --parquet`",
            ) from error

    def packs(self, bank: str) -> dict[str, PackFacts]:
        """Return the packs of a bank with their facts."""
        return {name: facts_from(held, name) for name, held in self._about(bank)["packs"].items()}

    def days(self, bank: str) -> list[DayRef]:
        """Return every day of a bank, by day."""
        zone = str(self._about(bank)["zone"])
        out = []
        for kind in ("pack", "witness"):
            for path in (self._folder / f"site={bank}").glob(f"{kind}=*/day=*/{READINGS}"):
                name = path.parent.parent.name.removeprefix(f"{kind}=")
                written = path.stat().st_mtime_ns // 1_000_000
                out.append(DayRef(kind, name, path.parent.name.removeprefix("day="), zone, written))
        return sorted(out, key=lambda r: (r.day, r.kind, r.name))

    def last_day(self, bank: str) -> str:
        """Return the newest day of any pack of a bank, "" if there is none."""
        found = (self._folder / f"site={bank}").glob("pack=*/day=*")
        return max((p.name.removeprefix("day=") for p in found), default="")

    def table(self, bank: str, ref: DayRef) -> pa.Table:
        """Return one day, tidy."""
        from logger.record.export import read_exported

        folder = self._folder / f"site={bank}" / f"{ref.kind}={ref.name}" / f"day={ref.day}"
        return read_exported(folder / READINGS)

    def have(self, bank: str, version: int) -> set[Key]:
        """Return which digests of this version, of these facts and these files, were computed before."""
        if not (self._folder / DIGESTS).exists():
            return set()
        return kept.have(self._engine, bank, version, _prints(self.packs(bank)))

    def kept(self, bank: str, version: int) -> dict[Key, Bodies]:
        """Return those digests."""
        if not (self._folder / DIGESTS).exists():
            return {}
        return kept.kept(self._engine, bank, version, _prints(self.packs(bank)))

    def keep(self, bank: str, pack: str, made: Sequence[tuple[str, Bodies]]) -> bool:
        """Keep digests computed here; False if nothing can be written there."""
        try:
            with address.speaking(self._engine):
                central.metadata.create_all(self._engine, [central.digest])
        except BankbookError:
            return False
        return _keep(self, self._engine, bank, pack, made)

    def findings(self, bank: str) -> tuple[Finding, ...] | None:
        """Return None: a folder holds days only."""
        del bank
        return None

    def summary(self, bank: str) -> tuple[PackSummary, ...] | None:
        """Return None: a folder holds days only."""
        del bank
        return None
