"""Figures of findings about single cells and sensors: resistance, measuring leads, temperature."""

from __future__ import annotations

import math

import numpy as np

from analysis.cells.causes_tap import readings
from analysis.finding import Finding
from analysis.frame import F64
from analysis.report.evidence_figure import BARS, RECENT, band, course, drawn
from analysis.report.figures_trend import Trend
from analysis.report.scope import Scope
from analysis.report.value import Figure

LEAST_MILLI, LEAST_MV, LEAST_K = 0.2, 10.0, 5.0
"""No axis spans less. [mΩ], [mV], [°C]"""


def resistance_figure(scope: Scope, index: int, finding: Finding) -> Figure | None:
    """A cell's resistance beyond the middle cell, day by day, with the band of the other cells."""
    cells = scope.health.packs[index].resistance.cells
    own = next((c for c in cells if c.cell == finding.cell), None)
    if own is None:
        return None
    series = [p for p in own.series if math.isfinite(p.excess_ohm)]
    others = [(p.day, 1000 * p.excess_ohm) for c in cells if c.cell != finding.cell for p in c.series]
    what = Trend(
        tuple(p.day for p in series),
        tuple(1000 * p.excess_ohm for p in series),
        "mΩ above the middle cell",
        halves=tuple(1960 * p.sigma_ohm if math.isfinite(p.sigma_ohm) else 0.0 for p in series),
        others=band(others),
    )
    return drawn(
        scope, index, finding, what,
        name="resistance",
        title=f"Resistance of cell {finding.cell} of pack {finding.pack} beside the others",
        source=f"days with steps of the current, as measured at the temperature of the day. {BARS}",
        least=LEAST_MILLI,
    )  # fmt: skip


def sense_lead_figure(scope: Scope, index: int, finding: Finding) -> Figure | None:
    """What only this cell's reading does: its error, its noise, or how long it stands still."""
    if finding.cell is None:
        return None
    known = readings(scope.bank.packs[index].recent)
    column = finding.cell - 1
    if not known.day or column >= known.error_v.shape[1]:
        return None
    if finding.unit == "h":
        table, unit, least = known.still_s / 3600, "hours a day without moving", 1.0
    else:
        error, noise = known.error_v, known.noise_v
        table, unit = 1000 * error, "mV read beside the middle cell"
        if _gap(noise[:, column], finding) < _gap(np.abs(error[:, column]), finding):
            table, unit = 1000 * noise, "mV from reading to reading"
        least = LEAST_MV
    rows = table.tolist()
    own = [(day, row[column]) for day, row in zip(known.day, rows, strict=True) if math.isfinite(row[column])]
    others = [
        (day, v) for day, row in zip(known.day, rows, strict=True) for i, v in enumerate(row) if i != column
    ]
    return drawn(
        scope, index, finding, course(own, unit, others=band(others)),
        name="lead",
        title=f"The reading of cell {finding.cell} of pack {finding.pack} beside the others",
        source="days, readings on the flat part of the voltage curve",
        least=least,
    )  # fmt: skip


def _gap(values: F64, finding: Finding) -> float:
    """How far the middle of the last days lies from the size of the finding."""
    known = sorted(v for v in values[-RECENT:].tolist() if math.isfinite(v))
    return abs(known[len(known) // 2] - abs(finding.value or 0.0)) if known else math.inf


def temperature_figure(scope: Scope, index: int, finding: Finding) -> Figure | None:
    """A sensor's daily mean with the band of the other sensors."""
    days = scope.bank.packs[index].recent.digests
    own: list[tuple[str, float]] = []
    others: list[tuple[str, float]] = []
    for digest in days:
        for number, temp in enumerate(digest.temps, 1):
            if not math.isfinite(temp.mean):
                continue
            mean = 1.8 * temp.mean + 32 if scope.units.temperature == "°F" else temp.mean
            (own if number == finding.cell else others).append((digest.day, mean))
    unit = f"{scope.units.temperature}, mean of the day"
    what = course(own, unit, others=band(others), others_name="all other sensors", zero=False)
    return drawn(
        scope, index, finding, what,
        name="temperature",
        title=f"Temperature sensor {finding.cell} of pack {finding.pack} beside the others",
        source="days with possible readings of it",
        least=LEAST_K,
    )  # fmt: skip
