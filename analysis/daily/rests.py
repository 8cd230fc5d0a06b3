"""Rests of a day: how the cells stand apart when next to nothing flows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.daily.grid import Grid, gridded
from analysis.day import CleanDay, Mark
from analysis.frame import Int

REST_C = 0.006
"""Current below which a pack rests, allowing for an offset of the sensor. [C] Common practice, no source."""
LEAST_S = 1800.0
"""Shorter rests are not kept. [s] Common practice, no source."""
KEPT = 3
END_S = 600.0
"""Voltages are the means over the last part of a rest. [s]"""


@dataclass(frozen=True, slots=True)
class Rest:
    """One rest.

    Attributes
    ----------
    mark : Mark
        Its end.
    hours : float
        Its length. [h]
    middle_v : float
        Median cell at its end. [V]
    apart_v : tuple of float
        Each cell above the median cell at its end. [V]
    droop_v_h : tuple of float
        How fast that changed over its second half. [V/h]
    temp_c : float
        NaN if unknown. [°C]
    """

    mark: Mark
    hours: float
    middle_v: float
    apart_v: tuple[float, ...]
    droop_v_h: tuple[float, ...]
    temp_c: float


@dataclass(frozen=True, slots=True)
class RestDay:
    """The longest rests of a day, in order of time."""

    rests: tuple[Rest, ...]


NOTHING = RestDay(())
"""A day of which nothing is kept."""


def _stretches(grid: Grid, rated_ah: float) -> list[tuple[int, int]]:
    with np.errstate(invalid="ignore"):
        still = (np.abs(grid.current_a) < REST_C * rated_ah) & ~grid.gap
    edge = np.flatnonzero(np.diff(np.concatenate(([0], still.astype(np.int8), [0]))))
    pairs = list(zip(edge[::2].tolist(), edge[1::2].tolist(), strict=True))
    long = [(a, b) for a, b in pairs if grid.time_s[b - 1] - grid.time_s[a] >= LEAST_S]
    long.sort(key=lambda p: p[0] - p[1])
    return sorted(long[:KEPT])


def _rest(day: CleanDay, grid: Grid, a: int, b: int) -> Rest | None:
    time_s = grid.time_s[a:b]
    end: Int = a + np.flatnonzero(time_s > time_s[-1] - END_S)
    middle_of: Int = a + np.flatnonzero(np.abs(time_s - (time_s[0] + time_s[-1]) / 2) < END_S / 2)
    if end.size < 2 or middle_of.size < 2:
        return None
    last = grid.cells_v[:, end].mean(axis=1, dtype=np.float64)
    before = grid.cells_v[:, middle_of].mean(axis=1, dtype=np.float64)
    if not np.isfinite(last).all() or not np.isfinite(before).all():
        return None
    hours = float(time_s[-1] - time_s[0]) / 3600.0
    apart, earlier = last - np.median(last), before - np.median(before)
    temps = grid.temp_c[end]
    return Rest(
        mark=day.mark(int(grid.first[b - 1])),
        hours=round(hours, 2),
        middle_v=round(float(np.median(last)), 4),
        apart_v=tuple(np.round(apart, 4).tolist()),
        droop_v_h=tuple(np.round((apart - earlier) / (hours / 2), 5).tolist()),
        temp_c=round(float(np.nanmean(temps)), 1) if np.isfinite(temps).any() else float("nan"),
    )


def observe_rests(day: CleanDay, grid: Grid | None = None) -> RestDay:
    """Find the day's longest rests.

    Parameters
    ----------
    day : CleanDay
    grid : Grid, optional
        `gridded(day)` if the caller has it.

    Returns
    -------
    RestDay
    """
    grid = gridded(day) if grid is None else grid
    if day.frame.n_cells < 3 or grid.time_s.size < 8:
        return RestDay(())
    found = (_rest(day, grid, a, b) for a, b in _stretches(grid, day.facts.rated_ah))
    return RestDay(tuple(rest for rest in found if rest is not None))
