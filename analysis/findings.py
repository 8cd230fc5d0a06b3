"""All findings about a bank: those about cells, about packs, and about what lies between them."""

from __future__ import annotations

from analysis.cell_findings import cell_findings
from analysis.finding import SEVERITIES, Finding
from analysis.history import Bank
from analysis.pack_findings import bank_findings, pack_findings
from analysis.thresholds import DEFAULT, Thresholds


def findings(bank: Bank, limits: Thresholds = DEFAULT) -> tuple[Finding, ...]:
    """Return everything that a skilled technician would defend about a bank.

    Parameters
    ----------
    bank : Bank
    limits : Thresholds
        Limits of every finding.

    Returns
    -------
    tuple of Finding
        The gravest first, then the surest; empty for a healthy bank.
    """
    found = [*bank_findings(bank, limits)]
    for history in bank.packs:
        if not history.digests:
            continue
        others = tuple(h for h in bank.packs if h is not history)
        found += cell_findings(history, limits)
        found += pack_findings(history, others, limits)
    return tuple(
        sorted(
            found, key=lambda f: (-SEVERITIES.index(f.severity), -f.confidence, f.pack, f.kind, f.cell or 0)
        )
    )
