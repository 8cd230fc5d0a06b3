"""States that a pack can be known to have reached: full at the top, low at the lower knee."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.daily.thin import Thin, thin
from analysis.day import CleanDay, Mark
from analysis.frame import F64, Bool, Int

Quality = Literal["taper", "low taper", "limit", "high cell", "knee"]

TAPER_MARGIN_V = 0.03
"""How far below `full_cell_v` the median cell may be for a finished taper. [V] Common practice, no source."""
BEYOND_PLATEAU_V, LOAD_FACTOR = 3.375, 2.0
"""A median cell that stays above this, less its load by this times its prompt resistance, lies beyond the
plateau. [V], [1] Common practice, no source."""
LOW_TAPER_C = 0.02
"""A taper is finished at this current. [C] Common practice, no source."""
CHARGING_C = 0.003
"""Current that counts as charging, above what an offset can feign. [C]"""
TOP_V, TOP_PAUSE_S = 3.37, 900.0
"""A top session: the highest cell above `TOP_V`, interrupted for no longer than this. [V], [s]"""
HOLD_S = 90.0
"""How long the taper has to last to be one, and not a cloud. [s]"""
LIMIT_MEDIAN_V, LIMIT_CELL_V = 3.45, 3.50
"""A charge that stops untapered ended full if the median, or near full if the highest cell was above."""
PLATEAU_V = (3.15, 3.42)
"""With the median cell between these, steps of current show what each cell's resistance adds. [V]
Common practice, no source."""
MOST_LOAD_V, MOST_EXCESS_V, LIGHT_C = 0.04, 0.015, 0.1
"""A cell that its load pulls down by more than the first, or by the second more than the others, is not
judged at that load: it may be slow, not empty [V]; nor above the third where the day does not tell what each
cell's resistance is. [C] Common practice, no source."""
LOW_LEVELS_V = (3.10, 3.00, 2.80)
"""Levels of the lower knee, crossed by the lowest cell corrected for its load. [V]"""


@dataclass(frozen=True, slots=True)
class Anchor:
    """An instant at which the state of charge is known without counting.

    Attributes
    ----------
    kind : {"full", "low"}
    mark : Mark
        Counters at it.
    quality : str
        "taper": the current fell away with the median cell at its full voltage. "low taper": the same at
        a lower charging voltage, beyond the plateau. "limit": the charge stopped untapered with the
        median cell at its full voltage. "high cell": it stopped because one cell was far ahead.
        "knee": the lowest cell crossed `level_v` on discharge.
    level_v : float
        Median cell for "full" [V]; the level crossed for "low". [V]
    median_v, max_v, min_v : float
        Over the cells, as measured. [V]
    current_a : float
        Current at it, the mean over half a minute; for "limit" and "high cell" the last before the stop. [A]
    temp_c : float
        Mean of the cell sensors; NaN without. [°C]
    """

    kind: Literal["full", "low"]
    mark: Mark
    quality: Quality
    level_v: float
    median_v: float
    max_v: float
    min_v: float
    current_a: float
    temp_c: float


def observe_anchors(day: CleanDay, view: Thin | None = None) -> tuple[Anchor, ...]:
    """Find the anchors of a day, in order of time.

    Parameters
    ----------
    day : CleanDay
    view : Thin, optional
        The thinned day, if it is made already.

    Returns
    -------
    tuple of Anchor
        At most one "full" a top session, at most one "low" a level and descent.
    """
    view = thin(day) if view is None else view
    if view.index.size < 3:  # nothing can be told from two samples
        return ()
    found = [*_full(day, view), *_low(day, view)]
    return tuple(sorted(found, key=lambda anchor: anchor.mark.time_s))


def cell_resistance(day: CleanDay, view: Thin) -> float:
    """Resistance of the median cell over one thinned step, good enough to correct a load. [Ω]

    The regression of voltage steps on current steps of the day; where the day has none, 0.3 mΩ for
    280 Ah, scaled. [Ω] Common practice, no source.
    """
    usual = 0.3e-3 * 280.0 / max(day.facts.rated_ah, 1.0)
    current = day.frame.pack_a[view.index].astype(np.float64)
    di, dv = np.diff(current), np.diff(view.median_v)
    with np.errstate(invalid="ignore"):
        step = (np.abs(di) > 0.05 * day.facts.rated_ah) & (np.abs(dv) < 0.2)
    if step.sum() < 10:
        return usual
    slope = float((di[step] * dv[step]).sum() / (di[step] ** 2).sum())
    return min(max(slope, 0.3 * usual), 20 * usual)


def excess_resistance(day: CleanDay, view: Thin) -> F64:
    """Resistance of each cell above the median cell's, shape (n_cells,), from steps on the plateau. [Ω]

    Never below zero: a cell that seems to have less is as good as the median. NaN where the day has too few
    steps.
    """
    cells = day.frame.cells_v[:, view.index].astype(np.float64)
    current = day.frame.pack_a[view.index].astype(np.float64)
    with np.errstate(invalid="ignore"):
        flat = (view.median_v > PLATEAU_V[0]) & (view.median_v < PLATEAU_V[1])
        di = np.diff(current)
        step = flat[1:] & flat[:-1] & (np.abs(di) > 0.03 * day.facts.rated_ah)
    if int(step.sum()) < 10:
        return np.full(cells.shape[0], np.nan)
    dv = np.diff(cells - view.median_v, axis=1)[:, step]
    slopes = np.where(np.isfinite(dv), dv, 0.0) / di[step]
    return np.asarray(np.maximum(np.median(slopes, axis=1), 0.0), dtype=np.float64)


def unloaded(day: CleanDay, view: Thin, resistance: float) -> F64:
    """Lowest cell freed of what its own resistance takes on discharge, shape (m,). [V]

    The median of each thinned sample and its neighbours: a load that came between two readings of current
    and voltage is not taken for an empty cell. NaN where the load takes so much that nothing is sure: what
    is slower than a step of current is not seen, and a worn cell has much of it.

    Parameters
    ----------
    day : CleanDay
    view : Thin
    resistance : float
        Of the median cell. [Ω]
    """
    load = np.minimum(np.nan_to_num(view.mean_a), 0.0)
    if day.frame.n_cells < 3:
        told = -load * resistance < MOST_LOAD_V
        return _median_of_three(np.where(told, view.min_v - load * resistance, np.nan))
    excess = excess_resistance(day, view)
    light = -load < LIGHT_C * day.facts.rated_ah
    cells = day.frame.cells_v[:, view.index].astype(np.float64)
    free = np.where(np.isfinite(cells), cells - load * (resistance + np.nan_to_num(excess)[:, None]), np.inf)
    lowest, column = np.argmin(free, axis=0), np.arange(load.size)
    with np.errstate(invalid="ignore"):
        own_v = np.where(np.isfinite(excess[lowest]), -load * excess[lowest], np.where(light, 0.0, np.inf))
    sure = (own_v < MOST_EXCESS_V) & (-load * resistance < MOST_LOAD_V)
    value = free[lowest, column]
    return _median_of_three(np.where(sure & np.isfinite(value), value, np.nan))


def _median_of_three(x: F64) -> F64:
    out = x.copy()
    a, b, c = x[:-2], x[1:-1], x[2:]
    with np.errstate(invalid="ignore"):
        middle = np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))
    out[1:-1] = np.where(np.isfinite(middle), middle, b)
    return out


def _full(day: CleanDay, view: Thin) -> list[Anchor]:
    rated, full_v = day.facts.rated_ah, day.facts.full_cell_v
    load_v = LOAD_FACTOR * cell_resistance(day, view) * view.mean_a
    with np.errstate(invalid="ignore"):
        top = view.max_v >= TOP_V
        small = (view.mean_a >= CHARGING_C * rated) & (view.mean_a <= day.facts.taper_c * rated)
        tapered = small & (view.median_v >= full_v - TAPER_MARGIN_V)
        low = small & (view.median_v - load_v >= BEYOND_PLATEAU_V)
    found = []
    for a, b in _sessions(view.time_s, top, TOP_PAUSE_S):
        anchor = (
            _taper(day, view, tapered, a, b, "taper")
            or _taper(day, view, low, a, b, "low taper")
            or _stop(day, view, a, b)
        )
        if anchor is not None:
            found.append(anchor)
    return found


def _sessions(time_s: F64, inside: Bool, pause_s: float) -> list[tuple[int, int]]:
    """First and last index of each stretch of `inside`, short pauses bridged."""
    where = np.nonzero(inside)[0]
    if where.size == 0:
        return []
    cut = np.nonzero(np.diff(time_s[where]) > pause_s)[0]
    firsts = np.concatenate(([where[0]], where[cut + 1]))
    lasts = np.concatenate((where[cut], [where[-1]]))
    return [(int(a), int(b)) for a, b in zip(firsts, lasts, strict=True)]


def _taper(day: CleanDay, view: Thin, tapered: Bool, a: int, b: int, quality: Quality) -> Anchor | None:
    """The instant at which the taper of a session is finished: as far as it went, at most 0.02 C."""
    where = a + np.nonzero(tapered[a : b + 1])[0]
    if where.size == 0:
        return None
    held = where[view.time_s[where] - view.time_s[where[0]] >= HOLD_S]
    if held.size == 0:
        return None
    finished = held[view.mean_a[held] <= LOW_TAPER_C * day.facts.rated_ah]
    chosen = int(finished[0]) if finished.size else int(held[-1])
    return _anchor(
        day, view, chosen, "full", quality, float(view.median_v[chosen]), float(view.mean_a[chosen])
    )


def _stop(day: CleanDay, view: Thin, a: int, b: int) -> Anchor | None:
    """The end of a charge that stopped untapered near the top."""
    rated = day.facts.rated_ah
    with np.errstate(invalid="ignore"):
        charging = view.mean_a[a : b + 1] > day.facts.taper_c * rated
        high = (view.median_v[a : b + 1] >= LIMIT_MEDIAN_V) | (view.max_v[a : b + 1] >= LIMIT_CELL_V)
    where = a + np.nonzero(charging & high)[0]
    if where.size == 0:
        return None
    last = int(where[-1])
    after = view.mean_a[last + 1 : last + 4]
    if after.size == 0 or not (after < 0.5 * view.mean_a[last]).any():  # it went on, or nobody saw
        return None
    quality: Quality = "limit" if view.median_v[last] >= LIMIT_MEDIAN_V else "high cell"
    return _anchor(day, view, last, "full", quality, float(view.median_v[last]), float(view.mean_a[last]))


def _low(day: CleanDay, view: Thin) -> list[Anchor]:
    resistance = cell_resistance(day, view)
    current = np.nan_to_num(view.mean_a)
    lowest = unloaded(day, view, resistance)
    with np.errstate(invalid="ignore"):
        discharging = view.mean_a < -CHARGING_C * day.facts.rated_ah
    return [
        _anchor(day, view, i, "low", "knee", level, float(current[i]))
        for level in LOW_LEVELS_V
        for i in _descents(lowest, level, discharging)
    ]


def _descents(lowest: F64, level: float, discharging: Bool) -> Int:
    """Where the lowest cell falls through a level, once until it has risen 0.1 V above it."""
    with np.errstate(invalid="ignore"):
        below = (lowest < level) & discharging
        recovered = lowest > level + 0.1
    events = np.where(below, 1, np.where(recovered, -1, 0))
    where = np.nonzero(events)[0]
    if where.size == 0:
        return where
    sign = events[where]
    fresh = (sign == 1) & (np.concatenate(([-1], sign[:-1])) == -1)
    crossings: Int = where[fresh]
    return crossings[crossings > 0]


def _anchor(
    day: CleanDay,
    view: Thin,
    i: int,
    kind: Literal["full", "low"],
    quality: Quality,
    level_v: float,
    current_a: float,
) -> Anchor:
    return Anchor(
        kind,
        day.mark(int(view.index[i])),
        quality,
        level_v,
        float(view.median_v[i]),
        float(view.max_v[i]),
        float(view.min_v[i]),
        current_a,
        float(view.temp_c[i]),
    )
