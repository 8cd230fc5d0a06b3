"""The week: what was found, then cells, energy, efficiency, cold, capacity and the record itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from analysis.finding import Finding
from analysis.health import Health
from analysis.history import Bank
from analysis.packs.cold import Cold, cold
from analysis.packs.efficiency import Efficiency, efficiency
from analysis.report.evidence import evidence
from analysis.report.numbers import METRIC, Units
from analysis.report.scope import Scope
from analysis.report.section_bank import bank_section
from analysis.report.section_capacity import capacity_section
from analysis.report.section_cells import cells_section, every_cell_section
from analysis.report.section_changes import Past, changed, changes_section, past
from analysis.report.section_cold import cold_section
from analysis.report.section_coverage import coverage_section
from analysis.report.section_energy import efficiency_section, energy_section
from analysis.report.section_findings import answer, findings_section, glance, with_open_begin
from analysis.report.value import Report, Section
from analysis.report.whole import whole

LOOK_BACK_DAYS = 56
"""Figures of slow things look back this far from the end of the week. [days]"""
BASELINE_DAYS = 28
"""The first weeks of the record, to which later ones are compared. [days]"""


def week_of(day: date) -> tuple[str, str]:
    """Monday and Sunday of the week that holds a day.

    >>> week_of(date(2026, 1, 14))
    ('2026-01-12', '2026-01-18')
    """
    monday = day - timedelta(days=day.weekday())
    return monday.isoformat(), (monday + timedelta(days=6)).isoformat()


def days_before(day: str, days: int) -> str:
    """A local date so many days earlier."""
    return (date.fromisoformat(day) - timedelta(days=days)).isoformat()


def week_report(
    bank: Bank,
    findings: Sequence[Finding],
    now: Health,
    *,
    site: str,
    earlier: Sequence[Past] = (),
    units: Units = METRIC,
) -> Report:
    """Compose the report of one week.

    Parameters
    ----------
    bank : Bank
        The whole record up to the end of the week, or as much of it as there is.
    findings : sequence of Finding
        That stand at the end of the week.
    now : Health
        Of the week.
    site : str
        Name for the title.
    earlier : sequence of Past
        Times to compare the week with, newest first.
    units : Units

    Returns
    -------
    Report
    """
    scope = Scope(bank, now, with_open_begin(findings, bank), now.first, now.last, units)
    longer = look_back(scope)
    sections = (
        Section("short", "In short", (*answer(scope), *glance(scope), changed(scope, tuple(earlier)))),
        findings_section(scope, lambda f: evidence(scope, longer, f)),
        changes_section(scope, tuple(earlier)),
        cells_section(scope),
        energy_section(scope),
        efficiency_section(scope, longer.efficiency),
        cold_section(scope, longer.cold),
        capacity_section(scope),
        bank_section(scope),
        coverage_section(scope),
        every_cell_section(scope),
    )
    subtitle = f"Monday to Sunday, {scope.window}"
    return whole("week", "The week", subtitle, scope=scope, site=site, sections=sections)


@dataclass(frozen=True, slots=True)
class Longer:
    """What needs more than the window: computed over the weeks that end with it, one a pack."""

    efficiency: tuple[Efficiency, ...]
    cold: tuple[Cold, ...]


def look_back(scope: Scope) -> Longer:
    """Compute over the window, or over `LOOK_BACK_DAYS` up to its end if that is longer."""
    days = max(LOOK_BACK_DAYS, len(scope.calendar()))
    first = days_before(scope.last, days - 1)
    packs = [history.window(first, scope.last) for history in scope.bank.packs]
    return Longer(
        tuple(efficiency(history) for history in packs),
        tuple(cold(h, tuple(o for o in packs if o is not h)) for h in packs),
    )


def first_weeks(bank: Bank, until: str) -> tuple[str, str] | None:
    """First and last day of the record's first four weeks; None if they are not over before `until`."""
    days = [h.days[0] for h in bank.packs if h.days]
    if not days:
        return None
    first = min(days)
    last = days_before(first, 1 - BASELINE_DAYS)
    return (first, last) if last < until else None


def earlier_times(bank: Bank, first: str) -> tuple[Past, ...]:
    """The week before a week that starts on `first`, and the first weeks of the record."""
    times = [past(bank, "Week before", days_before(first, 7), days_before(first, 1))]
    span = first_weeks(bank, first)
    if span is not None:
        times.append(past(bank, "First weeks", *span))
    return tuple(times)
