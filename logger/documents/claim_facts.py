"""What a claim says beside what was computed: who the pack is, where it stands, how the record fared."""

from __future__ import annotations

import json
import platform
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from importlib.metadata import version
from typing import TYPE_CHECKING

from analysis.estimate import Estimate
from logger.documents import claim_files
from logger.documents.identity import ENTERED_NOT, WITHHELD, Row, differing, identity_rows
from logger.documents.report_files import reading_units
from logger.record.event_kinds import BEARING, EVENT_KINDS

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from analysis.facts import PackFacts
    from analysis.report.claim import ClaimFacts
    from logger.config import Config
    from logger.record.store import Store
    from logger.record.store_identity import ReadIdentity
    from logger.record.store_types import SealedDay
    from logger.record.verify import VerifyResult
    from logger.settings import Pack

MOST_EVENTS = 200
"""No more events are listed; the latest count."""
MINUTE_MS = 60_000


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


def claim_facts(store: Store, config: Config, wish: Wish, days: list[SealedDay]) -> ClaimFacts:
    """Gather what the claim says beside what was computed.

    Parameters
    ----------
    store : Store
    config : Config
    wish : Wish
    days : list of SealedDay
        Those enclosed.
    """
    from analysis.report.claim import ClaimFacts

    entered = next(p for p in config.pack if p.name == wish.pack)
    facts = config.pack_facts(wish.pack)
    read = store.identities(wish.pack)
    return ClaimFacts(
        reason=wish.reason,
        identity=_pack(entered, read, config.zone, redact=wish.redact),
        differing=differing(entered, read),
        installation=_installation(facts, config, redact=wish.redact),
        terms=_terms(facts),
        record=_record(store.verify(), days, config),
        events=_events(store, wish, config),
        captests=_captests(store, wish.pack),
        versions=_versions(),
        files=_files(wish),
        checks=claim_files.CHECKS,
    )


def _said(value: object, unit: str = "") -> str:
    return (
        ENTERED_NOT if value is None else f"{value:g}{unit}" if isinstance(value, float) else f"{value}{unit}"
    )


def _pack(pack: Pack, read: Sequence[ReadIdentity], zone: ZoneInfo, *, redact: bool) -> tuple[Row, ...]:
    """Who the pack is: as entered and as it says itself."""
    return (
        ("Name here", pack.name, "–"),
        *identity_rows(pack, read, zone, redact=redact),
        ("Cells in series", str(pack.cells), "–"),
        ("Rated capacity", f"{pack.rated_ah:g} Ah", "–"),
    )


def _installation(facts: PackFacts, config: Config, *, redact: bool) -> tuple[tuple[str, str], ...]:
    from analysis.report.numbers import temperature_text

    return (
        ("Site", WITHHELD if redact else config.site.name),
        ("In service since", _said(facts.installed)),
        ("Other packs in parallel", ", ".join(n for n in config.pack_names if n != facts.name) or "none"),
        ("Other instruments", ", ".join(w.name for w in config.witness) or "none"),
        ("Lead out and back", _said(facts.lead.loop_m, " m")),
        ("Copper of the lead", _wire(facts.lead.area_mm2, config)),
        ("Heater", _said(facts.heater_w, " W")),
        (
            "Lowest temperature for charging",
            temperature_text(facts.charge_floor_c, reading_units(config)),
        ),
        (
            "Cell voltages of the protection",
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
    from analysis.report.dates import humane
    from analysis.report.numbers import plain

    revised = sum(1 for d in days if d.revision > 1)
    absent = [day for name, day in found.absent if name == days[0].name]
    faults = "none" if found.ok else "; ".join(f"{f.day} {f.detail}" for f in found.faults[:5])
    return (
        ("Sealed days enclosed", humane(f"{len(days)}, {days[0].day} to {days[-1].day}")),
        ("Readings in them", plain(sum(d.row_count for d in days), 0)),
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


def _events(store: Store, wish: Wish, config: Config) -> tuple[tuple[str, str, str], ...]:
    """What happened to the record and bears on whether it can be relied upon; the latest of them."""
    rows = []
    for event in (e for kind in BEARING for e in store.events(kind=kind, limit=MOST_EVENTS)):
        when = f"{datetime.fromtimestamp(event.start_ms / 1000, config.zone):%Y-%m-%d %H:%M}"
        if event.end_ms is not None and event.end_ms - event.start_ms >= MINUTE_MS:
            when += f", {(event.end_ms - event.start_ms) / MINUTE_MS:.0f} min"
        withheld = wish.redact and event.kind == "identity"
        rows.append((event.start_ms, when, EVENT_KINDS[event.kind], WITHHELD if withheld else event.detail))
    return tuple((when, what, detail) for _, when, what, detail in sorted(rows)[-MOST_EVENTS:])


def _captests(store: Store, pack: str) -> tuple[tuple[str, str, str], ...]:
    """Every guided capacity test: day, outcome, what it rests on or why it was rejected."""
    from analysis.report.numbers import say

    rows = []
    for kept in store.reports("captest"):
        told = json.loads(kept["numbers"])
        if told.get("pack") != pack:
            continue
        capacity = told.get("capacity")
        if capacity is None:
            rows.append((kept["last_day"], "rejected", "; ".join(told.get("reasons", [])) or told["say"]))
        else:
            found = Estimate(**capacity)
            rows.append((kept["last_day"], say(found), found.basis))
    return tuple(rows)


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
            (f"{claim_files.TABLES}/{wish.pack}/", "the same days as tables in physical units (CSV)")
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
