"""Numbers as people read them: honest digits, units, intervals; and as JSON.

The last digit shown is the one the interval reaches: a half-width of 0.43 Ah gives one decimal, 12 Ah none.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from analysis.estimate import Estimate
from analysis.report.dates import humane
from analysis.report.value import Card, Numbers, Report

MINUS = "−"
THIN = "\u202f"


@dataclass(frozen=True, slots=True)
class Units:
    """How the reader wants units: metric unless the configuration asks otherwise."""

    temperature: Literal["°C", "°F"] = "°C"
    wire: Literal["mm²", "AWG"] = "mm²"


METRIC = Units()
SHORT_H = 1.5
"""Shorter times are shown in minutes. [h]"""
SMALL_V = 0.1
"""Smaller voltages are shown in millivolts. [V]"""


def temperature_text(celsius: float, units: Units = METRIC, decimals: int = 0) -> str:
    """A temperature as the reader wants it.

    >>> temperature_text(-10.0), temperature_text(-10.0, Units("°F"))
    ('−10\u202f°C', '14\u202f°F')
    """
    fahrenheit = units.temperature == "°F"
    return f"{plain(celsius * 1.8 + 32 if fahrenheit else celsius, decimals)}{THIN}{units.temperature}"


def wire_text(area_mm2: float, units: Units = METRIC) -> str:
    """A copper area in mm², or as the nearest American wire gauge.

    >>> wire_text(67.43), wire_text(67.43, Units("°C", "AWG"))
    ('67.4\u202fmm²', '2/0 AWG')

    References
    ----------
    ASTM B258: diameter = 0.127 mm × 92^((36 − n) / 39); 2/0 is n = −1 (formula from memory).
    """
    if units.wire == "mm²":
        return f"{plain(area_mm2, 1)}{THIN}mm²"
    diameter = math.sqrt(4 * area_mm2 / math.pi)
    n = round(36 - 39 * math.log(diameter / 0.127, 92))
    return f"{1 - n}/0 AWG" if n < 1 else f"{n} AWG"


_SHOWN = {"1": ("%", 100.0), "s": ("h", 1 / 3600.0), "Wh": ("kWh", 1e-3), "Ω": ("mΩ", 1e3), "": ("", 1.0)}
_DECIMALS = {
    "%": 1,
    "h": 1,
    "min": 0,
    "kWh": 1,
    "mΩ": 2,
    "Ah": 1,
    "mA": 1,
    "A": 1,
    "V": 2,
    "mV": 0,
    "°C": 1,
    "W": 0,
    "EFC": 1,
    "": 0,
    "Ah/day": 2,
    "cycles": 1,
    "%/year": 1,
    "days": 0,
    "W/K": 1,
}


def shown_unit(unit: str, units: Units = METRIC, value: float = math.inf) -> tuple[str, float, float]:
    """How a canonical unit is shown; short times in minutes.

    Returns
    -------
    (unit, factor, offset)
        shown = value × factor + offset.
    """
    if unit == "°C" and units.temperature == "°F":
        return "°F", 1.8, 32.0
    if unit.startswith("1/"):
        return "%/" + unit[2:], 100.0, 0.0
    hours = {"h": 1.0, "s": 1 / 3600}.get(unit)
    if hours is not None and abs(value) * hours < SHORT_H:
        return "min", 60.0 * hours, 0.0
    if unit == "V" and 0 < abs(value) < SMALL_V:
        return "mV", 1000.0, 0.0
    name, factor = _SHOWN.get(unit, (unit, 1.0))
    return name, factor, 0.0


def decimals_for(half_width: float) -> int:
    """Decimals that a half-width supports: two digits of it if it starts with 1 or 2, else one.

    >>> decimals_for(0.43), decimals_for(0.14), decimals_for(12.0)
    (1, 2, 0)
    """
    if not half_width > 0 or not math.isfinite(half_width):
        return 1
    exponent = math.floor(math.log10(half_width))
    leading = half_width / 10**exponent
    return max(0, -exponent + (1 if leading < 2.95 else 0))


def plain(value: float, decimals: int) -> str:
    """A number with a real minus sign and thin spaces in thousands; never "−0".

    >>> plain(-1234.5, 0), plain(-0.04, 1)
    ('−1\u202f234', '0.0')
    """
    rounded = round(value, decimals) + 0.0
    text = f"{abs(rounded):,.{decimals}f}".replace(",", THIN)
    return (MINUS if rounded < 0 else "") + text


def _decimals(e: Estimate, unit: str, factor: float) -> int:
    if e.low is not None and e.high is not None and e.high > e.low:
        return min(decimals_for(abs(e.high - e.low) / 2 * abs(factor)), _MOST.get(unit, 3))
    return _DECIMALS.get(unit, 1)


_MOST = {"%": 2, "min": 0}


def value_text(e: Estimate, units: Units = METRIC) -> str:
    """The value with its unit, or an en dash if there is none.

    >>> value_text(Estimate(27.43, "Ah", 27.0, 27.9))
    '27.4\u202fAh'
    """
    if e.value is None:
        return "–"
    unit, factor, offset = shown_unit(e.unit, units, e.value)
    number = plain(e.value * factor + offset, _decimals(e, unit, factor))
    return f"{number}{THIN}{unit}" if unit else number


def interval_text(e: Estimate, units: Units = METRIC) -> str:
    """The 95 % interval, or the reason why there is none.

    >>> interval_text(Estimate(27.43, "Ah", 27.0, 27.9))
    '27.0 to 27.9'
    """
    if e.value is None:
        return humane(e.reason)
    if e.low is None or e.high is None:
        return humane(e.reason) or "no interval given"
    unit, factor, offset = shown_unit(e.unit, units, e.value)
    places = _decimals(e, unit, factor)
    low, high = sorted((e.low * factor + offset, e.high * factor + offset))
    if plain(low, places) == plain(high, places):
        return "counted"
    return f"{plain(low, places)} to {plain(high, places)}"


def say(e: Estimate, units: Units = METRIC) -> str:
    """A number inside a sentence: "27.4 Ah (27.0 to 27.9)", or "not known"."""
    if e.value is None:
        return "not known"
    if e.low is None or e.high is None or e.low == e.high:
        return value_text(e, units)
    return f"{value_text(e, units)} ({interval_text(e, units)})"


def basis_text(e: Estimate) -> str:
    """What a number was computed from, with the covered share of its window if that is short of whole."""
    parts = [humane(e.basis)] if e.basis else []
    if e.coverage is not None and e.coverage < 0.995:
        parts.append(f"{math.floor(e.coverage * 100)}{THIN}% of the time recorded")
    return "; ".join(parts)


@dataclass(frozen=True, slots=True)
class Bases:
    """Where each basis of a block is written: once for the block, once for a row, or under each value."""

    block: str
    rows: tuple[str, ...]
    values: tuple[tuple[str, ...], ...]


def bases(block: Numbers) -> Bases:
    """Say every basis once: what all values share, then what a row shares, then the rest."""
    texts = [["" if block.plain else basis_text(e) for e in row.values] for row in block.rows]
    known = {t for row in texts for t in row if t}
    if len(known) == 1 and len(texts) > 1:
        only = known.pop()
        return Bases(only, ("",) * len(texts), tuple(("",) * len(row) for row in texts))
    columns = [{t for t in column if t} for column in zip(*texts, strict=True)] if len(texts) > 2 else []
    if columns and all(len(each) == 1 for each in columns):
        said = "; ".join(f"{name}: {each.pop()}" for name, each in zip(block.columns, columns, strict=True))
        return Bases(said, ("",) * len(texts), tuple(("",) * len(row) for row in texts))
    rows, values = [], []
    for row in texts:
        shared = row[0] if len(set(row)) == 1 else ""
        rows.append(shared)
        values.append(("",) * len(row) if shared else tuple(row))
    return Bases("", tuple(rows), tuple(values))


def same_reason(estimates: Sequence[Estimate]) -> str:
    """The reason why none of several numbers is known, if it is one and the same; empty otherwise."""
    reasons = {humane(e.reason) for e in estimates}
    return reasons.pop() if len(reasons) == 1 and all(e.value is None for e in estimates) else ""


def is_silent(block: Numbers) -> bool:
    """Whether a block is only for the JSON: words beside it say why nothing in it is known."""
    return block.said and all(e.value is None for row in block.rows for e in row.values)


def estimate_json(e: Estimate) -> dict[str, Any]:
    """One number with everything that belongs to it, in its canonical unit."""
    return {
        "value": e.value,
        "unit": e.unit,
        "low": e.low,
        "high": e.high,
        "basis": e.basis,
        "n": e.n,
        "coverage": e.coverage,
        "reason": e.reason,
    }


def as_json(report: Report) -> dict[str, Any]:
    """Every number and finding of a report, by section, ready for `json.dumps`.

    Returns
    -------
    dict
        kind, title, site, timezone, first, last, numbers {section: {row key: {column: estimate}}}, findings.
    """
    numbers: dict[str, dict[str, dict[str, Any]]] = {}
    findings: list[dict[str, Any]] = []
    for section in report.sections:
        for block in section.blocks:
            if isinstance(block, Numbers):
                rows = numbers.setdefault(section.key, {})
                for row in block.rows:
                    pairs = zip(block.columns, row.values, strict=True)
                    rows.setdefault(row.key, {}).update({column: estimate_json(e) for column, e in pairs})
            elif isinstance(block, Card):
                findings.append(_finding_json(block))
    return {
        "kind": report.kind,
        "title": report.title,
        "site": report.site,
        "timezone": report.timezone,
        "first": report.first,
        "last": report.last,
        "numbers": numbers,
        "findings": findings,
    }


def _finding_json(card: Card) -> dict[str, Any]:
    f = card.finding
    forecast = None
    if f.forecast is not None:
        forecast = {
            "what": f.forecast.what,
            "day": f.forecast.day,
            "earliest": f.forecast.earliest,
            "latest": f.forecast.latest,
            "reason": f.forecast.reason,
        }
    return {
        "kind": f.kind,
        "pack": f.pack,
        "cell": f.cell,
        "since": f.since,
        "began_before": f.began_before,
        "severity": f.severity,
        "confidence": f.confidence,
        "value": f.value,
        "low": f.low,
        "high": f.high,
        "unit": f.unit,
        "forecast": forecast,
        "meaning": f.meaning,
        "check_next": f.check_next,
        "evidence": list(f.evidence),
    }
