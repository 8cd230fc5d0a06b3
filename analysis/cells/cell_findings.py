"""The findings about cells: diagnoses with their forecast, in plain words."""

from __future__ import annotations

from datetime import date

from analysis.cells.cause import diagnose
from analysis.cells.cell_words import CHECK_NEXT, MEANING
from analysis.cells.diagnosis import Diagnosis
from analysis.cells.forecast import standing_forecast, trip_forecast
from analysis.cells.imbalance import Imbalance, imbalance
from analysis.cells.limits import OFTEN, Reached, reached
from analysis.cells.resistance import resistance
from analysis.finding import Finding, Forecast, Severity
from analysis.history import History
from analysis.thresholds import DEFAULT, Thresholds

CHARGE_KINDS = {"self_discharge", "low_capacity", "static_offset", "balancing_behind"}


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
    ended = reached(history)
    found = [
        _finding(history, pack, ended, one, thresholds) for one in diagnose(history, pack, ohms, thresholds)
    ]
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


def _already(one: Diagnosis, ended: tuple[Reached, ...], forecast: Forecast | None) -> Forecast | None:
    """Say that a trip is not ahead but there, where it is."""
    own = next((r for r in ended if r.cell == one.cell and r.days >= OFTEN), None)
    if own is None:
        return forecast
    end = "ends the charge by high voltage" if own.high else "is empty first and ends the discharge"
    return Forecast(
        f"cell {one.cell} {end}", reason=f"it already does, on {own.days} of the last 30 days ({own.last})"
    )


def _finding(
    history: History,
    pack: Imbalance,
    ended: tuple[Reached, ...],
    one: Diagnosis,
    limits: Thresholds,
) -> Finding:
    size, level, evidence = one.size, one.level, one.evidence
    forecast = None
    if one.kind in {"self_discharge", "balancing_behind"} and one.cell is not None:
        forecast = trip_forecast(history, pack.cells[one.cell - 1])
    elif one.kind in {"low_capacity", "static_offset"} and one.cell is not None:
        forecast = standing_forecast(history, pack.cells[one.cell - 1])
    if one.kind in CHARGE_KINDS:
        forecast = _already(one, ended, forecast)
        evidence += tuple(r.words for r in ended[:2] if r.days >= OFTEN)
    words = {"cell": one.cell, "value": abs(size.value or 0.0), "milli": 1e3 * abs(size.value or 0.0)}
    return Finding(
        kind=one.kind,
        pack=history.facts.name,
        cell=one.cell,
        since=one.since,
        severity=_raised(level, forecast, history.digests[-1].day, limits),
        confidence=round(one.confidence, 2),
        value=size.value,
        low=size.low,
        high=size.high,
        unit=size.unit,
        meaning=MEANING[one.kind].format(**words),
        check_next=CHECK_NEXT[one.kind],
        forecast=forecast,
        evidence=evidence,
    )
