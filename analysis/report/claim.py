"""The claim document: the finding with its whole evidence, claiming no more than was measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from analysis.finding import Finding
from analysis.health import Health, PackHealth
from analysis.history import Bank
from analysis.report.dates import humane, long_day
from analysis.report.evidence import evidence
from analysis.report.numbers import METRIC, Units
from analysis.report.scope import Scope
from analysis.report.section_bank import bank_section
from analysis.report.section_capacity import capacity_section
from analysis.report.section_cells import cells_section, every_cell_section
from analysis.report.section_cold import cold_section
from analysis.report.section_coverage import coverage_section
from analysis.report.section_energy import efficiency_section, energy_section
from analysis.report.section_findings import findings_section, short_statements, with_open_begin
from analysis.report.section_methods import methods_section
from analysis.report.section_usage import terms_section, usage_section
from analysis.report.value import Block, Report, Section, Statement, Table
from analysis.report.week import Longer, look_back
from analysis.report.whole import whole

WHAT_IT_IS = (
    "This document sets out what was recorded about this battery, and what was computed from it. All "
    "results are estimates under the recorded conditions. They are compared with the figures the owner "
    "entered from the documents of the battery; a test by the method in those terms decides."
)
WHAT_HASHES_SAY = (
    "The hashes show that the readings are as they were when each day was sealed. They say nothing about "
    "whether the sensors were right; the sensor checks in this document do, as far as they go."
)
SUPPORTS_NOTHING = (
    "This record supports nothing yet: no finding, no capacity, no efficiency and no place of any cell could "
    "be had from so few readings. What is enclosed shows only that it was recorded."
)
FOOTER = (
    "Estimates under the recorded conditions, with 95\u202f% intervals. Compared with figures entered by the "
    "owner from the documents. A test by the method in the terms decides."
)


@dataclass(frozen=True, slots=True)
class ClaimFacts:
    """What the claim says beside what was computed; each a table of name and text.

    Attributes
    ----------
    reason : str
        Why the claim is made, in the owner's words.
    identity : tuple of (str, str, str)
        What, as entered, as read from the pack.
    installation, terms : tuple of (str, str)
    record : tuple of (str, str)
        Integrity of the record: sealed days, chain, clock, faults.
    events : tuple of (str, str, str)
        When, what, detail: outages, clock corrections.
    versions : tuple of (str, str)
    files : tuple of (str, str)
        What is enclosed.
    checks : tuple of str
        How to check it without our program, step by step.
    differing : tuple of str
        Sentences about what was entered and what was read, where they differ.
    captests : tuple of (str, str, str)
        Guided capacity tests: day, outcome, what it rests on.
    """

    reason: str
    identity: tuple[tuple[str, str, str], ...]
    installation: tuple[tuple[str, str], ...]
    terms: tuple[tuple[str, str], ...]
    record: tuple[tuple[str, str], ...]
    events: tuple[tuple[str, str, str], ...]
    versions: tuple[tuple[str, str], ...]
    files: tuple[tuple[str, str], ...]
    checks: tuple[str, ...]
    differing: tuple[str, ...] = ()
    captests: tuple[tuple[str, str, str], ...] = ()


def claim_report(
    bank: Bank,
    findings: Sequence[Finding],
    now: Health,
    facts: ClaimFacts,
    *,
    pack: str,
    site: str,
    units: Units = METRIC,
) -> Report:
    """Compose the claim document about one pack.

    Parameters
    ----------
    bank : Bank
        All packs: the others are needed to judge this one.
    findings : sequence of Finding
        Of the whole bank; those about this pack and about the bank are shown.
    now : Health
    facts : ClaimFacts
    pack : str
        The pack.
    site : str
        As it may be shown.
    units : Units

    Raises
    ------
    ValueError
        If the bank has no pack of that name.
    """
    scope, longer = _only(bank, now, findings, pack, units)
    sections = (
        Section("what", "What this is", _what(scope, facts)),
        _given(facts),
        findings_section(scope, lambda f: evidence(scope, longer, f)),
        capacity_section(scope),
        _tests(facts),
        terms_section(scope),
        usage_section(scope),
        cells_section(scope),
        energy_section(scope),
        efficiency_section(scope, longer.efficiency),
        cold_section(scope, longer.cold),
        bank_section(scope),
        coverage_section(scope),
        every_cell_section(scope),
        _integrity(facts),
        methods_section(facts.versions),
        _enclosed(facts),
    )
    title, days = f"Record of pack {pack}", f"{long_day(now.first)} to {long_day(now.last)}"
    return whole("claim", title, days, scope=scope, site=site, sections=sections, footer=FOOTER)


def _only(
    bank: Bank, now: Health, findings: Sequence[Finding], pack: str, units: Units
) -> tuple[Scope, Longer]:
    """Everything of one pack, computed with the others at hand."""
    names = [h.facts.name for h in bank.packs]
    if pack not in names:
        raise ValueError(f"there is no pack {pack!r}; there are {', '.join(names)}")
    i = names.index(pack)
    whole = look_back(Scope(bank, now, (), now.first, now.last, units))
    shown = with_open_begin([f for f in findings if f.pack in {pack, "bank"}], bank)
    one = replace(now, packs=(now.packs[i],), witness=tuple(w for w in now.witness if w.pack == pack))
    beside = tuple(h for h in bank.packs if h is not bank.packs[i])
    alone = Scope(replace(bank, packs=(bank.packs[i],)), one, shown, now.first, now.last, units, (i,), beside)
    return alone, Longer((whole.efficiency[i],), (whole.cold[i],))


def supports(pack: PackHealth, findings: Sequence[Finding]) -> bool:
    """Whether the record says anything of a pack that a claim could rest on.

    A finding does; so does a capacity, an efficiency or a place of a cell, for or against the owner's reason.

    Parameters
    ----------
    pack : PackHealth
    findings : sequence of Finding
        Of the whole bank.
    """
    numbers = (
        pack.capacity.usable,
        pack.efficiency.round_trip,
        *(e for c in pack.imbalance.cells for e in (c.top, c.bottom)),
    )
    return any(e.value is not None for e in numbers) or any(f.pack in {pack.name, "bank"} for f in findings)


def _what(scope: Scope, facts: ClaimFacts) -> tuple[Statement, ...]:
    reason = facts.reason.strip().rstrip(".")
    said: tuple[Statement, ...] = (
        Statement(WHAT_IT_IS),
        Statement(f"{reason}.", "plain", "Owner’s reason"),
    )
    pack = scope.health.packs[0]
    if not supports(pack, scope.findings):
        why = humane(pack.capacity.usable.reason)
        return (
            *said,
            Statement(f"{SUPPORTS_NOTHING} Of its capacity: {why}.", "unknown", f"Pack {pack.name}"),
        )
    return (*said, *short_statements(scope))


def _given(facts: ClaimFacts) -> Section:
    head = ("What", "As entered")
    blocks: tuple[Block, ...] = (
        Table(("What", "As entered", "As read from the pack"), facts.identity, "The pack"),
        *(Statement(text, "note", "Differs") for text in facts.differing),
        Table(head, facts.installation, "The installation"),
        Table(head, facts.terms, "The terms, as entered by the owner"),
    )
    return Section("given", "The pack, its place, its terms", blocks)


def _tests(facts: ClaimFacts) -> Section:
    """Guided capacity tests, the rejected ones too."""
    if not facts.captests:
        text = "No guided capacity test is on record; “bankbook captest” makes one."
        return Section("tests", "Capacity tests", (Statement(text, "unknown"),))
    table = Table(("Day", "Outcome", "What it rests on"), facts.captests)
    return Section("tests", "Capacity tests", (table,))


def _integrity(facts: ClaimFacts) -> Section:
    blocks: list[Block] = [Statement(WHAT_HASHES_SAY), Table(("What", "State"), facts.record, "The record")]
    if facts.events:
        blocks.append(Table(("When", "What", "Detail"), facts.events, "What the record went through"))
    else:
        blocks.append(Statement("No outage, no damage and no correction of the clock is on record."))
    return Section("integrity", "Integrity of the record", tuple(blocks))


def _enclosed(facts: ClaimFacts) -> Section:
    steps = tuple((str(i), step) for i, step in enumerate(facts.checks, 1))
    blocks: tuple[Block, ...] = (
        Table(("File", "What it holds"), facts.files, "Enclosed"),
        Table(("Step", "What to do"), steps, "How to check it without our program"),
    )
    return Section("enclosed", "What is enclosed, and how to check it", blocks)
