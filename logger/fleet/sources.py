"""Where the desk finds the days of many banks: the central database, or a folder of exported Parquet days.

Both give the same things: which banks there are, the packs of each with their facts, which days, and the
table of one day. Nothing here holds more than one day in memory.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, TypeAlias

from sqlalchemy import Connection, func, insert, select

from adapters.errors import ConfigError
from logger.fleet import address, central, summary

if TYPE_CHECKING:
    import pyarrow as pa

    from analysis.facts import PackFacts
    from analysis.finding import Finding
    from analysis.fleet.peers import PackSummary


Key: TypeAlias = tuple[str, str, int]
"""Pack, day, and the place in the chain of the sealed day a digest was made from."""


@dataclass(frozen=True, slots=True)
class DayRef:
    """One day of one subject of a bank. `kind` is "pack" or "witness"; `seq` is 0 in a folder."""

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

    def table(self, bank: str, ref: DayRef) -> pa.Table:
        """Return one day, tidy."""
        ...

    def have(self, bank: str, version: int) -> set[Key]:
        """Return which digests are there already, by (pack, day, seq)."""
        ...

    def kept(self, bank: str, version: int) -> dict[Key, tuple[bytes, bytes]]:
        """Return those digests."""
        ...

    def keep(self, bank: str, pack: str, made: Sequence[tuple[str, tuple[bytes, bytes]]]) -> bool:
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


def facts_from(kept: dict[str, Any], name: str) -> PackFacts:
    """Return a pack's facts from their JSON form."""
    from analysis.facts import LeadFacts, PackFacts, WarrantyTerms

    values = {**kept, "name": name}
    values["warranty"] = WarrantyTerms(**values.get("warranty", {}))
    values["lead"] = LeadFacts(**values.get("lead", {}))
    return PackFacts(**values)


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

    def have(self, bank: str, version: int) -> set[Key]:
        """Return which digests by this version of the code and of the facts sent last are there."""
        g = central.digest
        query = select(g.c.pack, g.c.day, g.c.seq, g.c.facts).where(g.c.bank == bank, g.c.version == version)
        prints = self._prints(bank)
        with self._conn() as conn:
            return {(r.pack, r.day, r.seq) for r in conn.execute(query) if prints.get(r.pack) == r.facts}

    def kept(self, bank: str, version: int) -> dict[Key, tuple[bytes, bytes]]:
        """Return those digests."""
        g = central.digest
        query = select(g.c.pack, g.c.day, g.c.seq, g.c.core, g.c.detail, g.c.facts).where(
            g.c.bank == bank, g.c.version == version
        )
        prints = self._prints(bank)
        with self._conn() as conn:
            return {
                (r.pack, r.day, r.seq): (zlib.decompress(r.core), zlib.decompress(r.detail))
                for r in conn.execute(query)
                if prints.get(r.pack) == r.facts
            }

    def keep(self, bank: str, pack: str, made: Sequence[tuple[str, tuple[bytes, bytes]]]) -> bool:
        """Add digests computed here to those there."""
        from analysis.digest import VERSION

        seqs = {r.day: r.seq for r in self.days(bank) if (r.kind, r.name) == ("pack", pack)}
        facts = self._prints(bank)[pack]
        rows = [
            {"bank": bank, "pack": pack, "day": day, "seq": seqs[day], "version": VERSION, "facts": facts,
             "core": zlib.compress(core, 6), "detail": zlib.compress(detail, 6)}
            for day, (core, detail) in made
        ]  # fmt: skip
        with address.speaking(self._engine), self._engine.begin() as conn:
            conn.execute(insert(central.digest), rows)
        return True

    def _prints(self, bank: str) -> dict[str, str]:
        from logger.record.sealing_day import facts_print

        return {name: facts_print(facts) for name, facts in self.packs(bank).items()}

    def findings(self, bank: str) -> tuple[Finding, ...] | None:
        """Return the findings sent last, None if none ever were."""
        f = central.finding
        newest = select(func.max(f.c.sent_ms)).where(f.c.bank == bank).scalar_subquery()
        query = select(f.c.body).where(f.c.bank == bank, f.c.sent_ms == newest).order_by(f.c.number)
        with self._conn() as conn:
            bodies = list(conn.execute(query).scalars())
        if not bodies:
            return None
        from logger.record.store_results import finding_from

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
    """A folder of exported days: site=NAME/pack=NAME/day=DATE, and site=NAME/_bank.json."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

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
        return {name: facts_from(kept, name) for name, kept in self._about(bank)["packs"].items()}

    def days(self, bank: str) -> list[DayRef]:
        """Return every day of a bank, by day."""
        zone = str(self._about(bank)["zone"])
        out = []
        for kind in ("pack", "witness"):
            for path in (self._folder / f"site={bank}").glob(f"{kind}=*/day=*"):
                name = path.parent.name.removeprefix(f"{kind}=")
                out.append(DayRef(kind, name, path.name.removeprefix("day="), zone, 0))
        return sorted(out, key=lambda r: (r.day, r.kind, r.name))

    def table(self, bank: str, ref: DayRef) -> pa.Table:
        """Return one day, tidy."""
        from logger.record.export import read_exported

        folder = self._folder / f"site={bank}" / f"{ref.kind}={ref.name}" / f"day={ref.day}"
        return read_exported(folder / "readings.parquet")

    def have(self, bank: str, version: int) -> set[Key]:
        """Return nothing: a folder holds days only."""
        del bank, version
        return set()

    def kept(self, bank: str, version: int) -> dict[Key, tuple[bytes, bytes]]:
        """Return nothing."""
        del bank, version
        return {}

    def keep(self, bank: str, pack: str, made: Sequence[tuple[str, tuple[bytes, bytes]]]) -> bool:
        """Return False: a folder holds days only."""
        del bank, pack, made
        return False

    def findings(self, bank: str) -> tuple[Finding, ...] | None:
        """Return None: a folder holds days only."""
        del bank
        return None

    def summary(self, bank: str) -> tuple[PackSummary, ...] | None:
        """Return None: a folder holds days only."""
        del bank
        return None
