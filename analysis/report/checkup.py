"""The check-up: since commissioning, what holds, what moved, what to do, and what cannot be told yet."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from analysis.estimate import Estimate, unknown
from analysis.finding import Finding
from analysis.health import Health, PackHealth
from analysis.history import Bank
from analysis.report import words
from analysis.report.dates import humane, long_day
from analysis.report.evidence import evidence
from analysis.report.numbers import METRIC, Units, say
from analysis.report.scope import Scope, numbers
from analysis.report.section_bank import bank_section
from analysis.report.section_capacity import capacity_section
from analysis.report.section_cells import cells_section, every_cell_section, fastest_drift
from analysis.report.section_changes import Past, changes_section
from analysis.report.section_cold import cold_section
from analysis.report.section_commissioning import Commissioning, commissioning_section
from analysis.report.section_coverage import coverage_section, share
from analysis.report.section_energy import efficiency_section, energy_section
from analysis.report.section_findings import answer, findings_section, ordered, with_open_begin
from analysis.report.section_usage import terms_section, usage_section
from analysis.report.value import Block, Report, Section, Statement, Table
from analysis.report.week import look_back
from analysis.report.whole import whole

ACTS: tuple[tuple[str, str], ...] = (
    ("capacity", "One full charge, a short rest, then one run down to the low knee within a few days."),
    ("round_trip", "Two full charges, held until the current has tapered, with a normal day between."),
    (
        "gain",
        "A witness that measures the current of the bank, such as a shunt meter, logged beside the packs.",
    ),
    ("offset", "Some hours with charging and discharging off, or two full charges in warm weather."),
    ("design", "A few more days with heating, and a temperature of the air from the pack or a witness."),
    ("top", "A full charge now and then: cells can only be compared where the voltage is steep."),
)
"""What would tell, by what is missing."""


def checkup_report(
    bank: Bank,
    findings: Sequence[Finding],
    now: Health,
    *,
    site: str,
    recent: Past,
    baseline: Past | None,
    units: Units = METRIC,
    identity: tuple[tuple[str, str, str, str], ...] = (),
    differing: tuple[str, ...] = (),
    commissioning: Commissioning | None = None,
) -> Report:
    """Compose the check-up.

    Parameters
    ----------
    bank : Bank
    findings : sequence of Finding
    now : Health
        Of the whole time since commissioning.
    site : str
    recent : Past
        The last weeks.
    baseline : Past or None
        The first weeks; None while the record is shorter than both.
    units : Units
    identity : tuple of (str, str, str, str)
        Pack, what, as entered, as read from the pack.
    differing : tuple of str
        Sentences about what was entered and what was read, where they differ.
    commissioning : Commissioning or None
        The check when the bank was set up, beside the same look now; None if none is on record.
    """
    scope = Scope(bank, now, with_open_begin(findings, bank), now.first, now.last, units)
    longer = look_back(scope)
    sections = (
        Section("short", "In short", _short(scope)),
        _holds(scope),
        _moved(scope, recent, baseline),
        _to_do(scope),
        _untold(scope),
        commissioning_section(commissioning),
        *_identity(identity, differing),
        terms_section(scope),
        findings_section(scope, lambda f: evidence(scope, longer, f)),
        cells_section(scope),
        capacity_section(scope),
        energy_section(scope),
        efficiency_section(scope, longer.efficiency),
        cold_section(scope, longer.cold),
        usage_section(scope),
        bank_section(scope),
        coverage_section(scope),
        every_cell_section(scope),
    )
    subtitle = f"Since {long_day(now.first)}, up to {long_day(now.last)}"
    return whole("checkup", "The check-up", subtitle, scope=scope, site=site, sections=sections)


def _short(scope: Scope) -> tuple[Statement, ...]:
    act = [f for f in scope.findings if f.severity != "note"]
    untold = untold_rows(scope)
    lines = list(answer(scope))
    count = "One finding" if len(act) == 1 else f"{len(act)} findings"
    todo = f"{count} to look at; see “What to do”." if act else "Nothing to do but to go on logging."
    lines.append(Statement(todo, "plain", "To do"))
    if untold:
        stay = "One question stays open; a simple act would answer it."
        if len(untold) > 1:
            stay = f"{len(untold)} questions stay open; each has a simple act that would answer it."
        lines.append(Statement(stay, "plain", "Not yet told"))
    return tuple(lines)


def _holds(scope: Scope) -> Section:
    """What was looked at and found in order."""
    troubled = {(f.pack, f.kind) for f in scope.findings}
    lines: list[Block] = []
    for history, pack in zip(scope.bank.packs, scope.health.packs, strict=True):
        good = []
        if pack.imbalance.cells and not any(p == pack.name and k in _CELL for p, k in troubled):
            good.append(f"its {len(pack.imbalance.cells)} cells stay together")
        e = pack.efficiency.round_trip
        if e.value is not None:
            good.append(f"{say(e)} of the energy came out again")
        if pack.capacity.usable.value is not None and (pack.name, "capacity_fade") not in troubled:
            about = "" if pack.capacity.pairs else "about "
            good.append(f"it gives {about}{say(pack.capacity.usable)} from full to empty")
        if pack.cold.pushed.value == 0:
            good.append("no charge was put in at or below the charging floor")
        covered = share(scope, scope.days(history))
        good.append(f"{say(covered)} of the time is on record")
        text = "; ".join(good)
        lines.append(Statement(f"{text[:1].upper()}{text[1:]}.", "good", f"Pack {pack.name}"))
    return Section("holds", "What holds", tuple(lines))


def _identity(rows: tuple[tuple[str, str, str, str], ...], differing: tuple[str, ...]) -> tuple[Section, ...]:
    """Who the packs are; nothing where nothing was entered or read."""
    if not rows:
        return ()
    blocks: tuple[Block, ...] = (
        *(Statement(text, "note", "Differs") for text in differing),
        Table(
            ("Pack", "What", "As entered", "As read from the pack"),
            tuple((*row[:-1], humane(row[-1])) for row in rows),
        ),
    )
    return (Section("identity", "Who the packs are", blocks),)


_CELL = {"static_offset", "self_discharge", "low_capacity", "high_resistance", "loose_link", "sense_lead"}


def _moved(scope: Scope, recent: Past, baseline: Past | None) -> Section:
    if baseline is None:
        text = "The record is too short to compare its end with its beginning; eight weeks are enough."
        return Section("moved", "What moved", (Statement(text, "unknown"),))
    made = changes_section(scope, (baseline,), present=recent)
    return Section("moved", "What moved", (*made.blocks, numbers(scope, _COURSES, "What goes on changing")))


_COURSES: tuple[tuple[str, str, Callable[[PackHealth], Estimate]], ...] = (
    ("drift", "Fastest drift of a cell (+ = losing)", lambda p: fastest_drift(p.imbalance)),
    ("fade", "Usable capacity in a year, of the rated", lambda p: p.fade.per_year),
    ("step", "Charge down to the upper graphite step, in a year", lambda p: p.ocv.per_year),
)


def _to_do(scope: Scope) -> Section:
    found = [f for f in ordered(scope.findings) if f.severity != "note"]
    if not found:
        return Section(
            "todo", "What to do", (Statement("Nothing. Let it log; come back in a month or two.", "good"),)
        )
    lines: list[Block] = [
        Statement(f"{words.headline(f)}. {humane(f.check_next)}", f.severity, _who(f.pack)) for f in found
    ]
    if any(words.KIND_WORDS[f.kind].hands for f in found):
        lines.append(Statement(words.HANDS_CAUTION, "watch", "Caution"))
    return Section("todo", "What to do", tuple(lines))


def _who(pack: str) -> str:
    return "Bank" if pack == "bank" else f"Pack {pack}"


def untold_rows(scope: Scope) -> list[tuple[str, str, str, str]]:
    """Packs, question, reason, and the act that would answer it; packs alike are in one row."""
    asked: dict[tuple[str, str, str], list[str]] = {}
    for pack in scope.health.packs:
        for question, key, e in _questions(pack):
            if e.value is None:
                why = humane(e.reason[:1].upper() + e.reason[1:])
                asked.setdefault((question, why, dict(ACTS)[key]), []).append(pack.name)
    return [(", ".join(names), *row) for row, names in asked.items()]


def _questions(pack: PackHealth) -> tuple[tuple[str, str, Estimate], ...]:
    cells, holds = pack.imbalance.cells, pack.capacity.usable
    if holds.value is not None and not pack.capacity.pairs:
        holds = unknown(holds.unit, f"judged by its voltage near empty, about {say(holds)}, but not measured")
    questions = [
        ("How much does it hold?", "capacity", holds),
        ("How much of the energy comes out again?", "round_trip", pack.efficiency.round_trip),
        ("Is its current sensor's zero right?", "offset", pack.sensor.offset),
        ("Is its current sensor's gain right?", "gain", pack.sensor.gain),
        ("What will the coldest day take?", "design", pack.cold.design_day),
    ]
    if cells:
        questions.append(("Are the cells equally full?", "top", cells[0].top))
    return tuple(questions)


def _untold(scope: Scope) -> Section:
    rows = untold_rows(scope)
    if not rows:
        return Section(
            "untold", "What cannot be told yet", (Statement("Every question has an answer.", "good"),)
        )
    table = Table(("Pack", "Question", "Why not yet", "What would tell"), tuple(rows))
    return Section("untold", "What cannot be told yet", (table,))
