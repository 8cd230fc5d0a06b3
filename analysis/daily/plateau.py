"""The plateau of a day: slow resistance, reading errors, and whether the cells add up to the pack."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.daily.grid import Grid, gridded
from analysis.day import CleanDay
from analysis.frame import F64

PLATEAU_V = (3.20, 3.42)
"""Points with the median cell within these, roughly freed of the load, are used. [V] Practice, no source."""
SPACING_S = 60.0
LEAST_POINTS = 60
SWING_C = 0.03
"""The current has to vary by this (standard deviation) for a resistance. [C] Common practice, no source."""


@dataclass(frozen=True, slots=True)
class PlateauDay:
    """Plateau of one day; tuples hold one value a cell and are empty without enough points.

    Attributes
    ----------
    n : int
        Minutes used.
    swing_a : float
        Standard deviation of the current over them. [A]
    temp_c : float
        Mean cell temperature; NaN if unknown. [°C]
    excess_ohm : tuple of float
        Slow resistance above the median cell's, minutes to hours; NaN if the current hardly varied. [Ω]
    error_v : tuple of float
        Voltage above the median cell's at no current: reading error and difference of charge. [V]
    sum_v, sum_ohm : float
        Pack voltage less the sum of the cells: at no current [V], and by current [Ω]; NaN if unknown.
    """

    n: int
    swing_a: float
    temp_c: float
    excess_ohm: tuple[float, ...]
    error_v: tuple[float, ...]
    sum_v: float
    sum_ohm: float


NOTHING = PlateauDay(0, 0.0, float("nan"), (), (), float("nan"), float("nan"))
"""A day of which nothing is kept."""


def _line(current: F64, rows: F64) -> tuple[F64, F64]:
    """Robust intercept and slope of each row against current."""
    design = np.vstack((np.ones_like(current), current))
    weight = np.ones_like(rows)
    a = b = np.zeros(rows.shape[0])
    for _ in range(4):
        w = weight.sum(axis=1)
        mean_i = (weight * current).sum(axis=1) / w
        mean_v = (weight * rows).sum(axis=1) / w
        centred = design[1] - mean_i[:, None]
        b = (weight * centred * rows).sum(axis=1) / np.maximum((weight * centred**2).sum(axis=1), 1e-9)
        a = mean_v - b * mean_i
        rest = rows - a[:, None] - b[:, None] * current
        scale = 1.4826 * np.median(np.abs(rest), axis=1, keepdims=True) + 2e-4
        weight = 1.0 / (1.0 + (rest / (3 * scale)) ** 2)
    return a, b


def observe_plateau(day: CleanDay, grid: Grid | None = None) -> PlateauDay:
    """Fit every cell's deviation from the median cell against current over the plateau of a day.

    Parameters
    ----------
    day : CleanDay
    grid : Grid, optional
        `gridded(day)` if the caller has it.

    Returns
    -------
    PlateauDay
    """
    grid = gridded(day) if grid is None else grid
    nan = float("nan")
    step = max(1, round(SPACING_S / grid.width_s))
    cells = grid.cells_v[:, ::step].astype(np.float64)
    current = grid.current_a[::step]
    if cells.shape[0] < 3 or current.size < LEAST_POINTS:
        return PlateauDay(0, 0.0, nan, (), (), nan, nan)
    middle = np.median(cells, axis=0)
    free = middle - current * (0.12 / day.facts.rated_ah)
    with np.errstate(invalid="ignore"):
        ok = (free > PLATEAU_V[0]) & (free < PLATEAU_V[1]) & np.isfinite(current) & np.isfinite(middle)
    if int(ok.sum()) < LEAST_POINTS:
        return PlateauDay(int(ok.sum()), 0.0, nan, (), (), nan, nan)
    current = current[ok]
    swing = float(np.std(current))
    error, excess = _line(current, cells[:, ok] - middle[ok])
    if swing < SWING_C * day.facts.rated_ah:
        excess = np.full_like(excess, np.nan)
    pack = day.frame.pack_v[grid.first[::step]][ok].astype(np.float64)
    total = day.frame.cells_v[:, grid.first[::step]][:, ok].sum(axis=0, dtype=np.float64)
    known = np.isfinite(pack) & np.isfinite(total)
    sum_v = sum_ohm = nan
    if int(known.sum()) >= LEAST_POINTS:
        a, b = _line(current[known], (pack - total)[None, known])
        sum_v, sum_ohm = float(a[0]), float(b[0])
    temps = grid.temp_c[::step][ok]
    return PlateauDay(
        n=int(ok.sum()),
        swing_a=round(swing, 2),
        temp_c=round(float(np.nanmean(temps)), 1) if np.isfinite(temps).any() else nan,
        excess_ohm=tuple(np.round(excess - np.median(excess), 8).tolist()),
        error_v=tuple(np.round(error - np.median(error), 5).tolist()),
        sum_v=round(sum_v, 4),
        sum_ohm=round(sum_ohm, 7),
    )
