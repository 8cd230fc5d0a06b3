"""The findings about cells: diagnoses with their forecast, in plain words."""

from __future__ import annotations

from analysis.cause import diagnose
from analysis.cell_words import CHECK_NEXT, MEANING
from analysis.diagnosis import Diagnosis
from analysis.finding import Finding
from analysis.history import History
from analysis.imbalance import Imbalance, imbalance
from analysis.resistance import resistance
from analysis.thresholds import DEFAULT, Thresholds


def cell_findings(
    history: History, thresholds: Thresholds = DEFAULT, known: Imbalance | None = None
) -> tuple[Finding, ...]:
    """Return the findings about the cells of one pack.

    Parameters
    ----------
    history : History
    thresholds : Thresholds
        Limits of every finding.
    known : Imbalance, optional
        `imbalance(history)` if the caller has it.

    Returns
    -------
    tuple of Finding
        The gravest first.
    """
    pack = imbalance(history) if known is None else known
    if not history.digests:
        return ()
    ohms = resistance(history)
    found = [_finding(history, one) for one in diagnose(history, pack, ohms, thresholds)]
    order = {"act": 0, "watch": 1, "note": 2}
    return tuple(sorted(found, key=lambda f: (order[f.severity], f.cell or 0)))


def _finding(history: History, one: Diagnosis) -> Finding:
    size = one.size
    words = {"cell": one.cell, "value": abs(size.value or 0.0), "milli": 1e3 * abs(size.value or 0.0)}
    return Finding(
        kind=one.kind,
        pack=history.facts.name,
        cell=one.cell,
        since=one.since,
        severity=one.level,
        confidence=round(one.confidence, 2),
        value=size.value,
        low=size.low,
        high=size.high,
        unit=size.unit,
        meaning=MEANING[one.kind].format(**words),
        check_next=CHECK_NEXT[one.kind],
        evidence=one.evidence,
    )
