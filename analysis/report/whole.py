"""Sections bound into a report: with its days, its zone, the words it uses, and its limits."""

from __future__ import annotations

from analysis.report import words
from analysis.report.scope import Scope
from analysis.report.value import Report, Section

FOOTER = (
    "Computed from the readings of the packs themselves. Estimates under the recorded conditions, "
    "with 95\u202f% intervals. This report watches; it protects nothing, and it is no measurement by a test "
    "house."
)


def whole(
    kind: str,
    title: str,
    subtitle: str,
    *,
    scope: Scope,
    site: str,
    sections: tuple[Section, ...],
    footer: str = FOOTER,
) -> Report:
    """Bind what was written about a scope.

    Parameters
    ----------
    kind : str
        "week", "checkup" or "claim".
    title, subtitle : str
    scope : Scope
        Gives the days and the zone.
    site : str
        As it may be shown.
    sections : tuple of Section
        In reading order.
    footer : str
    """
    return Report(
        kind=kind,
        title=title,
        subtitle=subtitle,
        site=site,
        timezone=scope.bank.timezone,
        first=scope.first,
        last=scope.last,
        sections=sections,
        glossary=words.glossary_of(sections),
        footer=footer,
    )
