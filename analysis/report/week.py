"""The week: what was found, then cells, energy, efficiency, cold, capacity and the record itself."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

from analysis.efficiency import Efficiency, efficiency
from analysis.finding import Finding
from analysis.health import Health
from analysis.history import Bank
from analysis.report import words
from analysis.report.dates import long_day
from analysis.report.numbers import METRIC, Units
from analysis.report.scope import Scope
from analysis.report.section_coverage import coverage_section
from analysis.report.section_energy import efficiency_section, energy_section
from analysis.report.section_findings import findings_section, short_statements
from analysis.report.value import Figure, Report, Section

LOOK_BACK_DAYS = 56
"""Figures of slow things look back this far from the end of the week. [days]"""
BASELINE_DAYS = 28
"""The first weeks of the record, to which later ones are compared. [days]"""
FOOTER = (
    "Computed from the readings of the packs themselves. Estimates under the recorded conditions, "
    "with 95 % intervals. This report watches; it protects nothing, and it is no measurement by a test house."
)


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
    before: Health | None = None,
    baseline: Health | None = None,
    units: Units = METRIC,
) -> Report:
    """Compose the report of one week.

    Parameters
    ----------
    bank : Bank
        The whole record up to the end of the week, or as much of it as there is.
    findings : sequence of Finding
        That stand at the end of the week.
    now, before, baseline : Health
        Of the week, of the week before, and of the first weeks of the record.
    site : str
        Name for the title.
    units : Units

    Returns
    -------
    Report
    """
    scope = Scope(bank, now, tuple(findings), now.first, now.last, before, baseline, units)
    sections = (
        Section("short", "In short", short_statements(scope)),
        findings_section(scope, lambda f: _evidence(scope, f)),
        energy_section(scope),
        efficiency_section(scope, _longer(scope)),
        coverage_section(scope),
    )
    return Report(
        kind="week",
        title="The week",
        subtitle=f"{_weekday(now.first)} to {_weekday(now.last)}",
        site=site,
        timezone=bank.timezone,
        first=now.first,
        last=now.last,
        sections=sections,
        glossary=words.glossary_of(sections),
        footer=FOOTER,
    )


def _weekday(day: str) -> str:
    return f"{date.fromisoformat(day):%A} {long_day(day)}"


def _longer(scope: Scope) -> tuple[Efficiency, ...]:
    first = days_before(scope.last, LOOK_BACK_DAYS - 1)
    return tuple(efficiency(history.window(first, scope.last)) for history in scope.bank.packs)


def _evidence(scope: Scope, finding: Finding) -> tuple[Figure, ...]:
    del scope, finding
    return ()


def first_weeks(bank: Bank, until: str) -> tuple[str, str] | None:
    """First and last day of the record's first four weeks; None if they are not over before `until`."""
    days = [h.days[0] for h in bank.packs if h.days]
    if not days:
        return None
    first = min(days)
    last = days_before(first, 1 - BASELINE_DAYS)
    return (first, last) if last < until else None
