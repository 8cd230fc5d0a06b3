"""The findings about one pack as a whole, and about the bank its packs make."""

from __future__ import annotations

from analysis.finding import Finding
from analysis.health import Health, PackHealth
from analysis.history import Bank, History
from analysis.packs.capacity import capacity
from analysis.packs.fade import fade
from analysis.packs.findings_cold import cold_charge_findings, heater_findings
from analysis.packs.findings_cold import sensor_findings as temperature_findings
from analysis.packs.findings_flow import lead_findings, sharing_findings
from analysis.packs.findings_life import fade_findings, gap_findings, step_findings
from analysis.packs.findings_sensor import sensor_findings as current_findings
from analysis.packs.sharing import sharing
from analysis.thresholds import DEFAULT, Thresholds

YEAR_DAYS = 365
"""Days of record below which no change in a year is looked for."""


def pack_findings(
    history: History,
    others: tuple[History, ...] = (),
    limits: Thresholds = DEFAULT,
    known: PackHealth | None = None,
) -> tuple[Finding, ...]:
    """Return the findings about one pack, its cells apart.

    Parameters
    ----------
    history : History
        Capacity is judged over all of it, the rest over its recent part.
    others : tuple of History
        The packs in parallel.
    limits : Thresholds
    known : PackHealth, optional
        What is worked out already.

    Returns
    -------
    tuple of Finding
        In no particular order.
    """
    if not history.digests:
        return ()
    lately, beside = history.recent, tuple(other.recent for other in others)
    usable = known.capacity if known else capacity(history)
    course = known.fade if known else fade(history, usable)
    aged = fade_findings(history, limits, usable, course)
    if not aged and course.per_year.value is None and len(history.digests) >= YEAR_DAYS:
        aged = step_findings(history, limits, known.ocv if known else None)
    return (
        *temperature_findings(lately, limits),
        *heater_findings(lately, beside, limits),
        *cold_charge_findings(lately, limits),
        *current_findings(lately, beside, limits, known.sensor if known else None),
        *aged,
        *gap_findings(history, limits),
    )


def bank_findings(
    bank: Bank, limits: Thresholds = DEFAULT, known: Health | None = None
) -> tuple[Finding, ...]:
    """Return the findings that only show between packs, or between packs and witnesses."""
    if not any(h.digests for h in bank.packs):
        return ()
    shared = known.sharing if known else sharing(bank.recent)
    seen = known.witness if known else None
    return (*sharing_findings(bank.recent, limits, shared), *lead_findings(bank, limits, seen, shared))
