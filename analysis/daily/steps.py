"""Resistance of every cell from the steps of current of a day."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.daily.grid import Grid, gridded
from analysis.day import CleanDay
from analysis.frame import F64, Int

LEAST_STEP_C = 0.05
"""Smallest step used. [C] Common practice, no source."""
STABLE = 0.12
"""Current either side may wander by this part of the step. [1] Common practice, no source."""
PLATEAU_V = (3.10, 3.40)
"""Steps are used while the median cell is within these: state of charge 30–90 % and load. [V]"""
LAG = 2
"""Bins from before to after a step; the bin between holds the step itself."""
FEW = 3


@dataclass(frozen=True, slots=True)
class StepDay:
    """Steps of one day; tuples hold one value a cell, and are empty without steps.

    Attributes
    ----------
    n : int
        Steps used.
    base_s : float
        Time base: the voltage after a step is read this long after it, on average. [s]
    temp_c : float
        Mean cell temperature at the steps; NaN if unknown. [°C]
    resistance_ohm : float
        Median over the cells; NaN without steps. [Ω]
    excess_ohm : tuple of float
        Each cell's resistance above the median cell's. [Ω]
    sigma_ohm : tuple of float
        Its standard deviation, from what the line leaves unexplained. [Ω]
    """

    n: int
    base_s: float
    temp_c: float
    resistance_ohm: float
    excess_ohm: tuple[float, ...]
    sigma_ohm: tuple[float, ...]


NOTHING = StepDay(0, float("nan"), float("nan"), float("nan"), (), ())
"""A day of which nothing is kept."""


def find_steps(grid: Grid, rated_ah: float) -> Int:
    """Find the bins before a step that is held on both sides.

    Parameters
    ----------
    grid : Grid
    rated_ah : float
        Rated capacity. [Ah]

    Returns
    -------
    array
        Index k: bins k − 1 and k are before, k + 2 and k + 3 after the step. Where two neighbouring k
        serve, as they do if no bin holds the step itself, the later, so that the step is well past.
    """
    m = grid.time_s.size
    if m < LAG + 4 or grid.cells_v.shape[0] == 0:
        return np.empty(0, dtype=np.int64)
    k = np.arange(1, m - LAG - 1)
    i = grid.current_a
    with np.errstate(invalid="ignore"):
        change = np.abs(i[k + LAG] - i[k])
        held = np.maximum(np.abs(i[k] - i[k - 1]), np.abs(i[k + LAG + 1] - i[k + LAG])) < STABLE * change
        near = grid.time_s[k + LAG + 1] - grid.time_s[k - 1] < (LAG + 3.0) * grid.width_s
        found = k[(change > LEAST_STEP_C * rated_ah) & held & near]
    keep: Int = found[np.diff(found, append=m + 9) > 1]
    return keep


def _elapsed_s(grid: Grid, found: Int) -> F64:
    """Time from each step to the middle of the bin read after it: how full the bin between is tells. [s]"""
    i = grid.current_a
    part = (i[found + 1] - i[found]) / (i[found + LAG] - i[found])
    return np.asarray(grid.width_s * (0.5 + np.clip(np.nan_to_num(part, nan=0.5), 0.0, 1.0)))


def _slopes(change_a: F64, change_v: F64) -> tuple[F64, F64]:
    """Robust slope through the origin of each row, and its standard deviation."""
    weight = np.ones_like(change_v)
    slope = np.zeros(change_v.shape[0])
    rest = change_v
    for _ in range(4):
        power = (weight * change_a**2).sum(axis=1)
        slope = (weight * change_a * change_v).sum(axis=1) / power
        rest = change_v - slope[:, None] * change_a
        scale = 1.4826 * np.median(np.abs(rest), axis=1, keepdims=True) + 1e-5
        weight = 1.0 / (1.0 + (rest / (3 * scale)) ** 2)
    spread = np.sqrt((weight * rest**2).sum(axis=1) / np.maximum(weight.sum(axis=1) - 1, 1))
    return slope, spread / np.sqrt((weight * change_a**2).sum(axis=1))


def observe_steps(day: CleanDay, grid: Grid | None = None) -> StepDay:
    """Measure every cell's resistance from the day's steps of current.

    The excess over the median cell comes from the difference of the two voltages, so that errors of
    timing and of the current that all cells share cancel.

    Parameters
    ----------
    day : CleanDay
    grid : Grid, optional
        `gridded(day)` if the caller has it.

    Returns
    -------
    StepDay
        Without values below `FEW` steps.

    References
    ----------
    Two-level direct-current resistance, R = ΔU / ΔI, as in IEC 61960-3 (form from memory).
    """
    grid = gridded(day) if grid is None else grid
    nan = float("nan")
    base = nan
    found = find_steps(grid, day.facts.rated_ah)
    if found.size:
        before = grid.cells_v[:, found].astype(np.float64)
        after = grid.cells_v[:, found + LAG].astype(np.float64)
        middle = np.median(before, axis=0)
        with np.errstate(invalid="ignore"):
            ok = (middle > PLATEAU_V[0]) & (middle < PLATEAU_V[1]) & np.isfinite(before + after).all(axis=0)
        found, before, after = found[ok], before[:, ok], after[:, ok]
    if found.size < FEW:
        return StepDay(int(found.size), base, nan, nan, (), ())
    base = round(float(np.mean(_elapsed_s(grid, found))), 1)
    change_a = grid.current_a[found + LAG] - grid.current_a[found]
    change_v = after - before
    shared = np.median(change_v, axis=0)
    typical, _ = _slopes(change_a, shared[None, :])
    excess, sigma = _slopes(change_a, change_v - shared)
    temps = grid.temp_c[found]
    return StepDay(
        n=int(found.size),
        base_s=base,
        temp_c=round(float(np.nanmean(temps)), 1) if np.isfinite(temps).any() else nan,
        resistance_ohm=round(float(typical[0]), 8),
        excess_ohm=tuple(np.round(excess - np.median(excess), 8).tolist()),
        sigma_ohm=tuple(np.round(sigma, 8).tolist()),
    )
