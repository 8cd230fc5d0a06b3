"""The claim file: a folder and a zip with the document and everything behind it."""

from __future__ import annotations

import platform
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING

from adapters.errors import ConfigError, StoreError
from logger.documents import claim_files
from logger.documents.report_files import reading_units, write_report
from logger.documents.timestamp import stamp, stamped_time
from logger.record.histories import bank as bank_of

if TYPE_CHECKING:
    from analysis.facts import PackFacts
    from analysis.report.claim import ClaimFacts
    from analysis.report.value import Report
    from logger.config import Config
    from logger.record.store import Store
    from logger.record.store_types import SealedDay
    from logger.record.verify import VerifyResult
    from logger.settings import Pack

WITHHELD = "(withheld)"
ENTERED_NOT = "not entered"
CLOCK_EVENTS = ("outage", "clock_set", "clock_step", "disk_full")


@dataclass(frozen=True, slots=True)
class Claim:
    """Where the claim is, and what is in it.

    Attributes
    ----------
    folder, archive : Path
    days : int
        Sealed days enclosed.
    manifest_sha256 : str
        Hash of the list of files: note it, and nothing can be exchanged unseen.
    stamped : str
        Time named by the authority; empty without a time stamp.
    """

    folder: Path
    archive: Path
    days: int
    manifest_sha256: str
    stamped: str


@dataclass(frozen=True, slots=True)
class Wish:
    """How the claim is wanted.

    Attributes
    ----------
    pack, reason : str
    first, last : str or None
        Only these local days of readings are enclosed; all by default.
    redact : bool
        Leave out the site's name and the serial numbers.
    csv : bool
        Enclose the days as CSV, too.
    authority : str or None
        Address of a time-stamping authority.
    """

    pack: str
    reason: str
    first: str | None = None
    last: str | None = None
    redact: bool = False
    csv: bool = True
    authority: str | None = None


def write_claim(
    store: Store,
    config: Config,
    wish: Wish,
    *,
    now_s: float,
    out_dir: Path | None = None,
    on_day: Callable[[str], None] = lambda _: None,
) -> Claim:
    """Write the claim file of one pack.

    Parameters
    ----------
    store : Store
    config : Config
    wish : Wish
    now_s : float
        The present, UTC epoch seconds. [s]
    out_dir : Path, optional
        Where to; the configuration's report folder if not given.
    on_day : callable
        Told each day before it is written.

    Raises
    ------
    ConfigError
        If there is no such pack, or no reason is given.
    StoreError
        If the pack has no sealed day.
    """
    config.pack_facts(wish.pack)
    if not wish.reason.strip():
        raise ConfigError("a claim needs a reason", 'say it in a sentence: --reason "Cell 11 loses charge"')
    days = [d for d in store.sealed_days(wish.pack, first=wish.first, last=wish.last) if d.kind == "pack"]
    if not days:
        raise StoreError(
            f"no day of pack {wish.pack} is sealed in that time", "run `bankbook seal`, or name other days"
        )
    today = f"{datetime.fromtimestamp(now_s, config.zone):%Y-%m-%d}"
    final = (out_dir or config.report_folder) / f"claim-{wish.pack}-{today}"
    folder = final.parent / f".{final.name}.part" / final.name
    shutil.rmtree(folder.parent, ignore_errors=True)
    folder.mkdir(parents=True)
    claim_files.write_days(store, wish.pack, days, folder, csv=wish.csv, on_day=on_day)
    claim_files.write_chain(store, folder)
    claim_files.write_channels(folder)
    claim_files.write_how(folder)
    report = _report(store, config, wish, days)
    write_report(report, reading_units(config), folder, "claim")
    return _closed(folder, final, len(days), wish.authority)


def _closed(folder: Path, final: Path, days: int, authority: str | None) -> Claim:
    """List, stamp and pack what the folder holds, then put folder and zip where they belong."""
    manifest = claim_files.write_manifest(folder)
    listed = claim_files.hash_of(manifest)
    stamped = stamped_time(stamp(manifest, authority)[1]) if authority else ""
    archive = claim_files.write_zip(folder).replace(final.with_name(final.name + ".zip"))
    shutil.rmtree(final, ignore_errors=True)
    folder.replace(final)
    shutil.rmtree(folder.parent)
    return Claim(final, archive, days, listed, stamped)


def _report(store: Store, config: Config, wish: Wish, days: list[SealedDay]) -> Report:
    from analysis.findings import findings
    from analysis.health import health
    from analysis.report.claim import claim_report

    bank = bank_of(store, config)
    now = health(bank)
    return claim_report(
        bank,
        findings(bank, known=now),
        now,
        _facts(store, config, wish, days),
        pack=wish.pack,
        site=WITHHELD if wish.redact else config.site.name,
        units=reading_units(config),
    )


def _facts(store: Store, config: Config, wish: Wish, days: list[SealedDay]) -> ClaimFacts:
    from analysis.report.claim import ClaimFacts

    entered = next(p for p in config.pack if p.name == wish.pack)
    facts = config.pack_facts(wish.pack)
    return ClaimFacts(
        reason=wish.reason,
        identity=_identity(entered, redact=wish.redact),
        installation=_installation(facts, config, redact=wish.redact),
        terms=_terms(facts),
        record=_record(store.verify(), days, config),
        events=_events(store, config),
        versions=_versions(),
        files=_files(wish),
        checks=claim_files.CHECKS,
    )


def _said(value: object, unit: str = "") -> str:
    return (
        ENTERED_NOT if value is None else f"{value:g}{unit}" if isinstance(value, float) else f"{value}{unit}"
    )


def _identity(pack: Pack, *, redact: bool) -> tuple[tuple[str, str], ...]:
    serial = WITHHELD if redact and pack.serial else _said(pack.serial)
    return (
        ("Name here", pack.name),
        ("Model, as entered from the label", _said(pack.model)),
        ("Serial number, as entered from the label", serial),
        ("Serial number, as read from the pack", "not read: the source does not give it"),
        ("Cells in series, as entered", str(pack.cells)),
        ("Rated capacity, as entered", f"{pack.rated_ah:g} Ah"),
    )


def _installation(facts: PackFacts, config: Config, *, redact: bool) -> tuple[tuple[str, str], ...]:
    return (
        ("Site", WITHHELD if redact else config.site.name),
        ("In service since, as entered", _said(facts.installed)),
        ("Other packs in parallel", ", ".join(n for n in config.pack_names if n != facts.name) or "none"),
        ("Other instruments", ", ".join(w.name for w in config.witness) or "none"),
        ("Lead out and back, as entered", _said(facts.lead.loop_m, " m")),
        ("Copper of the lead, as entered", _wire(facts.lead.area_mm2, config)),
        ("Heater, as entered", _said(facts.heater_w, " W")),
        ("Lowest temperature for charging, as entered", f"{facts.charge_floor_c:g} °C"),
        (
            "Cell voltages of the protection, as entered",
            f"{facts.cell_low_trip_v:g} to {facts.cell_high_trip_v:g} V",
        ),
    )


def _wire(area_mm2: float | None, config: Config) -> str:
    from analysis.report.numbers import wire_text

    return ENTERED_NOT if area_mm2 is None else wire_text(area_mm2, reading_units(config))


def _terms(facts: PackFacts) -> tuple[tuple[str, str], ...]:
    w = facts.warranty
    energy = None if w.throughput_wh is None else w.throughput_wh / 1e6
    share = None if w.capacity_fraction is None else 100 * w.capacity_fraction
    return (
        ("Start", _said(w.start_day)),
        ("Years", _said(w.years)),
        ("Remaining capacity", _said(share, " % of the rated")),
        ("Energy throughput", _said(energy, " MWh")),
        ("Cycles", _said(w.cycles)),
    )


def _record(found: VerifyResult, days: list[SealedDay], config: Config) -> tuple[tuple[str, str], ...]:
    revised = sum(1 for d in days if d.revision > 1)
    absent = [day for name, day in found.absent if name == days[0].name]
    faults = "none" if found.ok else "; ".join(f"{f.day} {f.detail}" for f in found.faults[:5])
    return (
        ("Sealed days enclosed", f"{len(days)}, {days[0].day} to {days[-1].day}"),
        ("Readings in them", f"{sum(d.row_count for d in days)}"),
        ("Days sealed again with late readings", f"{revised}"),
        ("Days without a record in between", ", ".join(absent[:10]) or "none"),
        ("Faults found when the whole record was verified", faults),
        ("Last value of the chain", found.chain_end),
        (
            "Clock",
            {"trusted": "taken as right by the owner's word", "auto": "network time or clock chip"}[
                config.record.clock
            ],
        ),
        ("Time zone of the days", config.site.timezone),
    )


def _events(store: Store, config: Config) -> tuple[tuple[str, str, str], ...]:
    rows = []
    for event in store.events(limit=5000):
        if event.kind in CLOCK_EVENTS:
            when = f"{datetime.fromtimestamp(event.start_ms / 1000, config.zone):%Y-%m-%d %H:%M}"
            rows.append((when, event.kind.replace("_", " "), event.detail))
    return tuple(rows[-200:])


def _versions() -> tuple[tuple[str, str], ...]:
    from analysis.digest import VERSION

    parts = [(name, version(name)) for name in ("bankbook", "numpy", "pyarrow")]
    return (*parts, ("Method of the day digests", str(VERSION)), ("Python", platform.python_version()))


def _files(wish: Wish) -> tuple[tuple[str, str], ...]:
    files = [
        ("claim.pdf, claim.html", "this document"),
        ("claim.json", "every number of it, with interval, basis and number of observations"),
        (f"{claim_files.DAYS}/{wish.pack}/", "each sealed day, the very bytes that were sealed (Parquet)"),
    ]
    if wish.csv:
        files.append(
            (f"{claim_files.TABLES}/{wish.pack}/", "the same days as tables in physical units (CSV, gzip)")
        )
    files += [
        ("channels.csv", "what each column means, its unit and scale"),
        (claim_files.CHAIN, "every sealed day of the record with its hash and chain value"),
        (claim_files.HOW, "how to check all of this"),
        (claim_files.MANIFEST, "SHA-256 of every file"),
    ]
    if wish.authority:
        files.append((f"{claim_files.MANIFEST}.tsr", f"time stamp of that list, from {wish.authority}"))
    return tuple(files)
