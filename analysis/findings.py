"""All findings about a bank: those about cells, about packs, and about what lies between them."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from analysis.cells.cell_findings import cell_findings
from analysis.finding import SEVERITIES, Finding
from analysis.health import Health
from analysis.history import Bank, History
from analysis.packs.findings_life import beside_cells
from analysis.packs.pack_findings import bank_findings, pack_findings
from analysis.thresholds import DEFAULT, Thresholds

OPEN_DAYS = 10
"""What began within so many days of the first day looked back on may have begun before it. [d]"""


def findings(bank: Bank, limits: Thresholds = DEFAULT, known: Health | None = None) -> tuple[Finding, ...]:
    """Return everything that a skilled technician would defend about a bank.

    Parameters
    ----------
    bank : Bank
    limits : Thresholds
        Limits of every finding.
    known : Health, optional
        `health` of the same bank up to the same last day, so that nothing is worked out twice.

    Returns
    -------
    tuple of Finding
        The gravest first, then the surest; empty for a healthy bank.
    """
    done = {pack.name: pack for pack in known.packs} if known is not None else {}
    found = [*bank_findings(bank, limits, known)]
    for history in bank.packs:
        if not history.digests:
            continue
        others = tuple(h for h in bank.packs if h is not history)
        pack = done.get(history.facts.name)
        cells = cell_findings(history.recent, limits, pack.imbalance if pack else None)
        found += beside_cells(pack_findings(history, others, limits, pack), cells)
    histories = {history.facts.name: history for history in bank.packs}
    return tuple(
        sorted(
            (_dated(f, histories.get(f.pack)) for f in found),
            key=lambda f: (-SEVERITIES.index(f.severity), -f.confidence, f.pack, f.kind, f.cell or 0),
        )
    )


def _dated(found: Finding, history: History | None) -> Finding:
    """Say so if a finding may have begun before the days that were looked back on."""
    if history is None or not found.since or len(history.recent.digests) == len(history.digests):
        return found
    first = history.recent.days[0]
    early = (date.fromisoformat(found.since) - date.fromisoformat(first)).days
    if found.since < first or early > OPEN_DAYS:
        return found  # by the whole record, or begun within the days looked at
    return replace(found, began_before=True)
