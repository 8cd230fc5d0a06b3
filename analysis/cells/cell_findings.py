"""The findings about cells: diagnoses with their forecast, in plain words."""

from __future__ import annotations

from datetime import date

from analysis.cells.cause import diagnose
from analysis.cells.cell_words import CHECK_NEXT, MEANING
from analysis.cells.diagnosis import Diagnosis
from analysis.cells.forecast import standing_forecast, trip_forecast
from analysis.cells.imbalance import Imbalance, imbalance
from analysis.cells.resistance import resistance
from analysis.finding import Finding, Forecast, Severity
from analysis.history import History
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
    found = [_finding(history, pack, one, thresholds) for one in diagnose(history, pack, ohms, thresholds)]
    order = {"act": 0, "watch": 1, "note": 2}
    return tuple(sorted(found, key=lambda f: (order[f.severity], f.cell or 0)))


def _raised(level: Severity, forecast: Forecast | None, today: str, limits: Thresholds) -> Severity:
    """Severity, raised if a trip is near."""
    if forecast is None or forecast.day is None:
        return level
    days = (date.fromisoformat(forecast.day) - date.fromisoformat(today)).days
    if days <= limits["trip_act_days"]:
        return "act"
    return "watch" if level == "note" and days <= limits["trip_watch_days"] else level


def _finding(history: History, pack: Imbalance, one: Diagnosis, limits: Thresholds) -> Finding:
    size = one.size
    forecast = None
    if one.kind in {"self_discharge", "balancing_behind"} and one.cell is not None:
        forecast = trip_forecast(history, pack.cells[one.cell - 1])
    elif one.kind in {"low_capacity", "static_offset"} and one.cell is not None:
        forecast = standing_forecast(history, pack.cells[one.cell - 1])
    words = {"cell": one.cell, "value": abs(size.value or 0.0), "milli": 1e3 * abs(size.value or 0.0)}
    return Finding(
        kind=one.kind,
        pack=history.facts.name,
        cell=one.cell,
        since=one.since,
        severity=_raised(one.level, forecast, history.digests[-1].day, limits),
        confidence=round(one.confidence, 2),
        value=size.value,
        low=size.low,
        high=size.high,
        unit=size.unit,
        meaning=MEANING[one.kind].format(**words),
        check_next=CHECK_NEXT[one.kind],
        forecast=forecast,
        evidence=one.evidence,
    )
