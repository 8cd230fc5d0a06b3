"""Whether the readings of single cells can be trusted: noise and standing still."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.daily.grid import Grid, gridded
from analysis.day import CleanDay
from analysis.frame import F32, F64

PROBES, PROBE_LENGTH = 8, 60
"""Noise is taken from so many short stretches of raw samples."""
STILL_S = 1800.0
"""A reading that does not change for this long is looked at. [s] Common practice, no source."""
LEAST_STEP_V = 0.0005
MOVED_V = 0.012
"""And stands still if the median cell moved by this meanwhile. [V] Common practice, no source."""


@dataclass(frozen=True, slots=True)
class TapDay:
    """Readings of one day; tuples hold one value a cell.

    Attributes
    ----------
    noise_v : tuple of float
        Scatter of the reading from sample to sample beyond what all cells share; NaN without samples. [V]
    still_s : tuple of float
        Time over which it stood still while the median cell moved. [s]
    missing : tuple of float
        Part of the day's samples without a usable reading. [1]
    """

    noise_v: tuple[float, ...]
    still_s: tuple[float, ...]
    missing: tuple[float, ...]


NOTHING = TapDay((), (), ())
"""A day of which nothing is kept."""


def _noise(cells: F64) -> F64:
    """Root mean square of second differences over √6, shared part removed."""
    bend = cells[:, 2:] - 2 * cells[:, 1:-1] + cells[:, :-2]
    bend = bend[:, np.isfinite(bend).all(axis=0)]
    if bend.shape[1] < 8:
        return np.full(cells.shape[0], np.nan)
    bend = bend - np.median(bend, axis=0)
    return np.asarray(np.sqrt(np.mean(np.minimum(bend**2, 0.25), axis=1) / 6.0))


def resolution(cells: F32) -> float:
    """Smallest step between different readings, at least 0.5 mV. [V]"""
    steps = np.abs(np.diff(cells[:, :: max(1, cells.shape[1] // 2000)], axis=1))
    with np.errstate(invalid="ignore"):
        steps = steps[steps > LEAST_STEP_V]
    return float(np.quantile(steps, 0.05)) if steps.size > 20 else LEAST_STEP_V


def _still(grid: Grid, middle: F64, step_v: float, ohm: float) -> list[float]:
    """Time each reading stood still although the current alone had to move it."""
    out = []
    least_v = max(MOVED_V, 3 * step_v)
    for row in grid.cells_v:
        cuts = np.flatnonzero(np.abs(np.diff(row, prepend=np.float32(np.nan))) > 1e-5)
        edges = np.unique(np.concatenate(([0], cuts, [row.size])))
        long = np.flatnonzero(np.diff(edges) >= max(2.0, 0.5 * STILL_S / grid.width_s))
        total = 0.0
        for a, b in zip(edges[long].tolist(), edges[long + 1].tolist(), strict=True):
            length = float(grid.time_s[b - 1] - grid.time_s[a])
            if length >= STILL_S and np.isfinite(row[a]):
                part, flow = middle[a:b], grid.current_a[a:b]
                if not (np.isfinite(part).any() and np.isfinite(flow).any()):
                    continue
                low, high = np.nanquantile(flow, (0.05, 0.95))  # not the few seconds at its ends
                swing = ohm * float(high - low)
                if np.nanmax(part) - np.nanmin(part) > least_v and swing > least_v / 2:
                    total += length
        out.append(round(total))
    return [float(x) for x in out]


def observe_taps(day: CleanDay, grid: Grid | None = None) -> TapDay:
    """Judge the readings of a day.

    Parameters
    ----------
    day : CleanDay
    grid : Grid, optional
        `gridded(day)` if the caller has it.

    Returns
    -------
    TapDay
        Empty tuples for an empty day.
    """
    grid = gridded(day) if grid is None else grid
    cells = day.frame.cells_v[:, day.frame.lead :]
    n, m = cells.shape
    if n < 3 or m < 10:
        return TapDay((), (), ())
    length = min(PROBE_LENGTH, m)
    starts = np.unique(np.linspace(0, m - length, PROBES).astype(np.int64))
    parts = []
    with np.errstate(invalid="ignore"):
        for a in starts.tolist():
            found = _noise(cells[:, a : a + length].astype(np.float64))
            if np.isfinite(found).all():
                parts.append(found)
    noise = np.median(np.array(parts), axis=0) if parts else np.full(n, np.nan)
    known = np.isfinite(grid.cells_v).sum(axis=1)
    middle = np.median(grid.cells_v, axis=0).astype(np.float64)
    return TapDay(
        noise_v=tuple(np.round(noise, 6).tolist()),
        still_s=tuple(_still(grid, middle, resolution(cells), 0.06 / day.facts.rated_ah)),
        missing=tuple(np.round(1 - known / max(grid.time_s.size, 1), 4).tolist()),
    )
