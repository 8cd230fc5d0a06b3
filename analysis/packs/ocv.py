"""Curves of open-circuit voltage from everyday use, and the charge between full and graphite's upper step.

Shown, not diagnosed: for this chemistry the shape changes little in a year, and what the change would mean is
not certain. Figgener et al., arXiv 2411.08025 (2024), on years of home storage.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.daily.graphite import Step, find_step
from analysis.daily.ocv import WINDOWS_V, Direction, is_kind
from analysis.estimate import Estimate, around, unknown
from analysis.frame import F64
from analysis.history import History
from analysis.once import once
from analysis.packs.closure import Zero, combined_zero
from analysis.packs.ocv_place import BELOW, Piece, Places, pieces, step_places
from analysis.packs.sensor import known_zero
from analysis.stats.regression import plateau_bound
from analysis.stats.trend import seasonal_slope, theil_sen

YEAR_DAYS = 365.2425
WAYS: tuple[Direction, ...] = ("discharge", "charge")
RECENT_DAYS = 180.0
"""A position speaks of this time before the newest step. [d]"""
LEAST_POINTS, LEAST_TREND, LEAST_YEARS = 3, 12, 0.95
"""Steps for a position, and steps and years for its change. Practice, no source: seasons imitate ageing."""
LEAST_CURVES = 3
"""Pieces of curve in a bin of the mean curve."""
HOLE = 0.025
"""A piece with a wider hole in it, of the rated charge, shows no step. [1]"""
MOST_PIECES = 150
"""Pieces in which steps are looked for, spread over the time that is known in detail."""
RESOLUTION_V = 0.005
"""Coarser readings of cells show no step. [V]

References
----------
Krupp et al., Batteries 7 (2021) 2: 5 mV bins of cell voltage in incremental capacity.
"""
SLOPE_V = 0.17
"""Mid-range slope of the chemistry over state of charge. [V]

References
----------
Lin, Stefanopoulou, J. Electrochem. Soc. 162 (2015) A1879, Table I.
"""
SHARED_V = 0.003
"""Error that all curves share: hysteresis, load not wholly taken out. [V] Practice, no source."""
GATE = 0.02
"""A capacity would be read from the plateau if it could be surer than this. [1] Practice, no source."""
SYSTEM_U = 0.01
"""Standard uncertainty of a step's place, of the rated charge: the surface of the electrodes runs ahead of
their mean. [1] Practice, no source."""
CELL_U = 0.002
"""The same for the difference of a cell to the median cell, which share most of it. [1]"""


@dataclass(frozen=True, slots=True)
class MeanCurve:
    """Mean of many pieces in one direction.

    Attributes
    ----------
    direction : {"charge", "discharge"}
    below_ah : tuple of float
        Charge below full, rising. [Ah]
    volts : tuple of float
        Median cell, free of load. [V]
    pieces : int
        How many went in.
    """

    direction: Direction
    below_ah: tuple[float, ...]
    volts: tuple[float, ...]
    pieces: int


@dataclass(frozen=True, slots=True)
class StepPoint:
    """Where one pass went over the upper step. [Ah] below full, standard uncertainty of the fit."""

    day: str
    time_s: float
    direction: Direction
    below_ah: float
    u_ah: float


@dataclass(frozen=True, slots=True)
class QuasiOcv:
    """What everyday use shows of the open-circuit curve.

    Attributes
    ----------
    curves : tuple of MeanCurve
        By direction, where known.
    discharge, charge : Estimate
        Charge between full and the upper step in each direction, as the sensor counts. [Ah]
    upper : Estimate
        One of the two: discharge before charge, and single passes before a mean curve. [Ah]
    lower : Estimate
        The same for the lower step. [Ah]
    per_year : Estimate
        Change in a year, in the direction that was seen over the longer time. [Ah/year]
    cells : tuple of Estimate
        By how much less charge each cell has down to the upper step than the median cell. [Ah]
    spread : Estimate
        Between the cells that are furthest apart. [Ah]
    bound : Estimate
        Best relative standard deviation of a capacity read from these voltages alone. [1]
    points : tuple of StepPoint
        In order of time.
    """

    curves: tuple[MeanCurve, ...]
    discharge: Estimate
    charge: Estimate
    upper: Estimate
    lower: Estimate
    per_year: Estimate
    cells: tuple[Estimate, ...]
    spread: Estimate
    bound: Estimate
    points: tuple[StepPoint, ...]


def _bound(history: History) -> Estimate:
    """What the plateau could tell of the capacity at best."""
    spans = [s for d in history.digests for s in d.graphite.spans]
    noises = [d.graphite.noise_v for d in history.digests if math.isfinite(d.graphite.noise_v)]
    coarse = _resolution(history)
    if not spans or not math.isfinite(coarse):
        return unknown("1", _calm_reason(history))
    own = math.hypot(float(np.median(noises)) if noises else 0.0, coarse / math.sqrt(12))
    usual = float(np.sqrt(np.mean(np.square(spans))))
    value = math.hypot(plateau_bound(own, SLOPE_V, spans), plateau_bound(SHARED_V, SLOPE_V, [usual]))
    basis = (
        f"{len(spans)} calm stretches, {1000 * own:.1f} mV each and {1000 * SHARED_V:.0f} mV in common, "
        f"{1000 * SLOPE_V / 100:.1f} mV a percent"
    )
    verdict = "no capacity is read from them" if value > GATE else "kept beside the counted capacity only"
    return Estimate(value, "1", basis=basis, n=len(spans), reason=f"a bound, not a measurement; {verdict}")


def _calm_reason(history: History) -> str:
    if not any(d.n_cells for d in history.digests):
        return "no cell voltages"
    return "no calm stretch of use yet: a night's load below 0.15 C that moves 5 % of the rated charge"


def _resolution(history: History) -> float:
    """Usual step of a cell's reading; NaN if no calm stretch was seen. [V]"""
    steps = [d.graphite.resolution_v for d in history.digests if math.isfinite(d.graphite.resolution_v)]
    return float(np.median(steps)) if steps else math.nan


def _coarse(history: History) -> bool:
    return _resolution(history) > RESOLUTION_V - 1e-6


def _refusal(history: History, n: int, kind: str, direction: Direction) -> str:
    """Why there is no position of a step."""
    if not math.isfinite(_resolution(history)):
        return _calm_reason(history)
    if _coarse(history):
        coarse = 1000 * _resolution(history)
        return f"cells are read in steps of {coarse:.0f} mV; graphite's steps need finer than 5 mV"
    if not history.anchors("full"):
        return "the pack was never seen full; charge it until the current tapers"
    where = "about 30 %" if kind == "upper" else "about 75 %"
    way = "discharge" if direction == "discharge" else "slow charge"
    return f"{n} calm {way}s over the {kind} step, {where} below full, so far; {LEAST_POINTS} are needed"


def _place(history: History, places: Places, kind: str, direction: Direction, zero: Zero) -> Estimate:
    """Charge below full of a step in one direction: the median of the newest half year."""
    if _coarse(history) or places.time_s.size < LEAST_POINTS:
        return unknown("Ah", _refusal(history, places.time_s.size, kind, direction), n=places.time_s.size)
    recent = places.time_s >= places.time_s[-1] - RECENT_DAYS * 86400
    below, n = places.below_ah[recent], int(recent.sum())
    if n < LEAST_POINTS:
        return unknown("Ah", _refusal(history, n, kind, direction), n=n)
    value = float(np.median(below))
    scatter = max(1.4826 * float(np.median(np.abs(below - value))), float(np.median(places.u_ah[recent])))
    hours = float(np.median(np.abs(places.hours[recent])))
    rated = history.facts.rated_ah
    full_u = float(np.mean(places.full_u[recent]))
    u = math.hypot(1.2533 * scatter / math.sqrt(n), zero.u_a * hours, full_u * rated, SYSTEM_U * rated)
    first, last = (places.days[i] for i in (int(np.flatnonzero(recent)[0]), -1))
    basis = (
        f"{n} calm {direction}s over the {kind} step, {first} to {last}; the sensor's gain is not included"
    )
    return around(value, 1.96 * u, "Ah", basis=basis, n=n)


def _trend(places: Places, way: str) -> Estimate:
    """Change of the position in a year: like seasons where there are any, else all pairs."""
    n = places.time_s.size
    days = places.time_s / 86400
    years = float(days[-1] - days[0]) / YEAR_DAYS if n else 0.0
    if n < LEAST_TREND or years < LEAST_YEARS:
        months = round(12 * years)
        got = f"{n} over {months} month{'' if months == 1 else 's'}"
        reason = f"steps seen: {got}; {LEAST_TREND} over 12 months are needed, since seasons imitate ageing"
        return unknown("Ah/year", reason, n=n)
    fit = seasonal_slope(days, places.below_ah)
    if not math.isfinite(fit.low):
        fit = theil_sen(days, places.below_ah, serial=True)
    basis = f"{n} steps on {way}, {places.days[0]} to {places.days[-1]}, median of all pairs (Theil–Sen)"
    return Estimate(
        fit.slope * YEAR_DAYS, "Ah/year", fit.low * YEAR_DAYS, fit.high * YEAR_DAYS, basis=basis, n=n
    )


def _cells(history: History, found: Sequence[Piece]) -> tuple[tuple[Estimate, ...], Estimate]:
    """Each cell's own place of the upper step, and how far the cells are apart."""
    rows = [p.cells_ah for p in found if p.cells_ah]
    width = max((len(r) for r in rows), default=0)
    reason = f"{len(rows)} passes over the upper step show single cells; {LEAST_POINTS} are needed"
    if width == 0 or len(rows) < LEAST_POINTS:
        return (), unknown("Ah", reason, n=len(rows))
    table = np.array([r for r in rows if len(r) == width])
    cells = []
    for column in table.T:
        known = column[np.isfinite(column)]
        if known.size < LEAST_POINTS:
            cells.append(unknown("Ah", reason, n=int(known.size)))
            continue
        value = float(np.median(known))
        scatter = 1.4826 * float(np.median(np.abs(known - value))) + 0.05
        u = math.hypot(1.2533 * scatter / math.sqrt(known.size), CELL_U * history.facts.rated_ah)
        cells.append(around(value, 1.96 * u, "Ah", basis=f"{known.size} passes", n=int(known.size)))
    sure = [c for c in cells if c.value is not None and c.high is not None]
    if len(sure) < 2:
        return tuple(cells), unknown("Ah", reason, n=len(rows))
    values = [c.value or 0.0 for c in sure]
    half = math.sqrt(2) * float(np.median([(c.high or 0.0) - (c.value or 0.0) for c in sure]))
    gap = max(values) - min(values)
    basis = f"{len(sure)} cells in {len(rows)} passes"
    return tuple(cells), Estimate(gap, "Ah", max(gap - half, 0.0), gap + half, basis, len(rows))


def _curve(found: Sequence[Piece], direction: Direction, rated: float) -> MeanCurve | None:
    """Mean of the pieces, each first shifted in voltage to agree with the others where they overlap."""
    mine = [p for p in found if p.direction == direction]
    if len(mine) < LEAST_CURVES:
        return None
    step = 0.01 * rated
    at = -(np.arange(100) + 0.5) * step
    rows = np.full((len(mine), at.size), np.nan)
    for row, piece in zip(rows, mine, strict=True):
        inside = (at >= piece.charge_ah[0]) & (at <= piece.charge_ah[-1])
        row[inside] = np.interp(at[inside], piece.charge_ah, piece.volts)
    known = np.isfinite(rows)
    count = known.sum(axis=0)
    shift = np.zeros(len(mine))
    for _ in range(6):
        moved = np.where(known, rows - shift[:, None], 0.0)
        mean = moved.sum(axis=0) / np.maximum(count, 1)
        away = np.where(known, rows - mean, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
        shift = away - away.mean()
    enough = count >= LEAST_CURVES
    if int(enough.sum()) < 5:
        return None
    return MeanCurve(
        direction, tuple((-at[enough]).tolist()), tuple(np.round(mean[enough], 5).tolist()), len(mine)
    )


def _upper(charge: F64, volts: F64, direction: Direction, rated: float) -> Step | None:
    """The upper step in a piece that may reach past it on both sides; not where the piece has a hole."""
    low, high = WINDOWS_V["upper"]
    inside = (volts > low) & (volts < high)
    q, v = charge[inside], volts[inside]
    if q.size < 2 or float(np.diff(q).max()) > HOLE * rated:
        return None
    seen = find_step(q, v, rated)
    if seen is None or not BELOW["upper"][0] < -seen.charge_ah / rated < BELOW["upper"][1]:
        return None
    if not is_kind("upper", direction, float(np.interp(seen.charge_ah, q, v))):
        return None
    return seen


def _joined_places(found: Sequence[Piece], rated: float) -> Places:
    """Upper steps in pieces that midnight does not cut."""
    step = max(1, math.ceil(len(found) / MOST_PIECES))
    looked = ((p, _upper(p.charge_ah, p.volts, p.direction, rated)) for p in found[::step])
    hits = [(piece, seen) for piece, seen in looked if seen is not None]
    return Places(
        tuple(p.day for p, _ in hits),
        np.array([p.time_s for p, _ in hits]),
        np.array([-s.charge_ah for _, s in hits]),
        np.array([s.u_ah for _, s in hits]),
        np.array([p.hours for p, _ in hits]),
        np.array([p.full_u for p, _ in hits]),
    )


def _from_mean(curve: MeanCurve | None, found: Sequence[Piece], zero: Zero, rated: float) -> Estimate | None:
    """The upper step of a mean curve, where too few single passes show it."""
    if curve is None:
        return None
    seen = _upper(-np.array(curve.below_ah[::-1]), np.array(curve.volts[::-1]), curve.direction, rated)
    if seen is None:
        return None
    mine = [p for p in found if p.direction == curve.direction]
    hours = float(np.median([abs(p.hours) for p in mine]))
    full_u = float(np.mean([p.full_u for p in mine]))
    u = math.hypot(seen.u_ah, zero.u_a * hours, full_u * rated, SYSTEM_U * rated)
    basis = f"mean curve of {len(mine)} calm {curve.direction}s, {mine[0].day} to {mine[-1].day}"
    return around(-seen.charge_ah, 1.96 * u, "Ah", basis=basis, n=len(mine))


def _points(places: Places, direction: Direction) -> list[StepPoint]:
    rows = zip(places.days, places.time_s, places.below_ah, places.u_ah, strict=True)
    return [StepPoint(day, float(t), direction, float(q), float(u)) for day, t, q, u in rows]


@once
def ocv(history: History, recent: History | None = None) -> QuasiOcv:
    """Put a pack's curves of open-circuit voltage together from calm stretches of use.

    Parameters
    ----------
    history : History
        Curves need digests with detail; steps seen within one day are in every digest.
    recent : History, optional
        Its days from which the zero of the sensor is told, if not all.

    Returns
    -------
    QuasiOcv
        Each number refused with its reason where the record does not carry it.

    References
    ----------
    Figgener et al., arXiv 2411.08025 (2024): averaging pieces of household use. Bound of a plateau: Lin,
    Stefanopoulou, J. Electrochem. Soc. 162 (2015) A1879, eqs 14–15. Cell by cell because unequal cells smear
    the steps of their sum: Krupp et al., Batteries 7 (2021) 2.
    """
    zero = combined_zero(known_zero(history if recent is None else recent))
    rated = history.facts.rated_ah
    found = pieces(history, zero)
    whole = _joined_places([p for p in found if p.direction == "discharge"], rated)
    out = whole.and_earlier(step_places(history, zero, "upper", "discharge"))
    into = step_places(history, zero, "upper", "charge")
    curves = {way: _curve(found, way, rated) for way in WAYS}
    seen = {way: _place(history, p, "upper", way, zero) for way, p in zip(WAYS, (out, into), strict=True)}
    passed = next((seen[way] for way in WAYS if seen[way].known), None)
    for way in WAYS:
        if not seen[way].known and not _coarse(history):
            seen[way] = _from_mean(curves[way], found, zero, rated) or seen[way]
    meant = next((seen[way] for way in WAYS if seen[way].known), seen["discharge"])
    deep = _place(history, step_places(history, zero, "lower", "discharge"), "lower", "discharge", zero)
    cells, spread = _cells(history, found)
    points = _points(out, "discharge") + _points(into, "charge")
    return QuasiOcv(
        curves=tuple(c for c in curves.values() if c is not None),
        discharge=seen["discharge"],
        charge=seen["charge"],
        upper=passed or meant,
        lower=deep,
        per_year=_trend(*max((out, "discharge"), (into, "charge"), key=lambda p: p[0].span_days)),
        cells=cells,
        spread=spread,
        bound=_bound(history),
        points=tuple(sorted(points, key=lambda p: p.time_s)),
    )
