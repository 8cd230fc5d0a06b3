"""All findings about a bank: those about cells, about packs, and about what lies between them."""

from __future__ import annotations

from analysis.cells.cell_findings import cell_findings
from analysis.finding import SEVERITIES, Finding
from analysis.health import Health
from analysis.history import Bank
from analysis.packs.pack_findings import bank_findings, pack_findings
from analysis.thresholds import DEFAULT, Thresholds


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
        found += cell_findings(history, limits, pack.imbalance if pack else None)
        found += pack_findings(history, others, limits, pack)
    return tuple(
        sorted(
            found, key=lambda f: (-SEVERITIES.index(f.severity), -f.confidence, f.pack, f.kind, f.cell or 0)
        )
    )
