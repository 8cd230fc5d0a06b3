"""Passes: stretches of a day over which charge goes one way, the stage on which cells are compared."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from analysis.daily.grid import Grid
from analysis.frame import F64, Bool, Int

TURN_FRACTION = 0.02
"""A change of direction counts as one when it moved this much of the rated charge. [1]
Common practice, no source."""
GAP_LIMIT_S = 900.0
"""A pass ends at a longer gap: charge that nobody counted may have moved. [s] Common practice, no source."""
IDLE_C = 0.004
"""Below this rate a sample says nothing about direction. [C] Common practice, no source."""
TYPICAL_OHM_AH = 0.12
"""Resistance of a cell times its capacity where the day cannot tell: 0.43 mΩ at 280 Ah. [Ω Ah]
From memory of 10–30 s values of large prismatic cells."""


@dataclass(frozen=True, slots=True)
class Pass:
    """One stretch of charge or discharge.

    Attributes
    ----------
    sign : int
        +1 charge, −1 discharge.
    index : array
        Grid bins of the pass in which current really flowed its way, in time order.
    """

    sign: int
    index: Int


def _turns(charge_ah: F64, breaks: Int, depth_ah: float) -> list[tuple[int, int, int]]:
    """Return (sign, first, last) of every stretch; a turn needs `depth_ah` the other way."""
    found: list[tuple[int, int, int]] = []
    edges = [0, *breaks.tolist(), charge_ah.size]
    for begin, end in pairwise(edges):
        values = charge_ah[begin:end].tolist()
        low = high = start = 0
        sign = 0
        for i, value in enumerate(values):
            if value > values[high]:
                high = i
            if value < values[low]:
                low = i
            if sign >= 0 and values[high] - value > depth_ah:
                if sign > 0 or high > start:
                    found.append((1, begin + start, begin + high))
                sign, start, low = -1, high, i
            elif sign <= 0 and value - values[low] > depth_ah:
                if sign < 0 or low > start:
                    found.append((-1, begin + start, begin + low))
                sign, start, high = 1, low, i
        if sign > 0:
            found.append((1, begin + start, begin + high))
        elif sign < 0:
            found.append((-1, begin + start, begin + low))
    return found


def passes(grid: Grid, rated_ah: float) -> tuple[Pass, ...]:
    """Split a day into passes of charge and discharge.

    Parameters
    ----------
    grid : Grid
    rated_ah : float
        Rated capacity. [Ah]

    Returns
    -------
    tuple of Pass
        In time order; each moved at least `TURN_FRACTION` of the rated capacity.
    """
    if grid.time_s.size < 8:
        return ()
    depth = TURN_FRACTION * rated_ah
    after_hole = np.diff(grid.time_s, prepend=grid.time_s[0]) > GAP_LIMIT_S
    step = max(1, round(60.0 / grid.width_s))
    coarse = grid.charge_ah[::step]
    breaks = np.unique(np.flatnonzero(after_hole) // step)
    out = []
    for sign, first, last in _turns(coarse, breaks[breaks > 0], depth):
        inside = np.arange(first * step, min((last + 1) * step, grid.time_s.size))
        way: Bool = sign * grid.current_a[inside] > IDLE_C * rated_ah
        index = inside[way]
        if index.size >= 8 and sign * (grid.charge_ah[index[-1]] - grid.charge_ah[index[0]]) > depth:
            out.append(Pass(sign, index))
    return tuple(out)


def pack_resistance(grid: Grid, rated_ah: float) -> float:
    """Resistance of a typical cell over one bin, from the steps of current between neighbouring bins. [Ω]

    Parameters
    ----------
    grid : Grid
    rated_ah : float
        Rated capacity. [Ah]

    Returns
    -------
    float
        The median over steps of at least 0.04 C, bounded to a quarter and four times the typical value;
        the typical value below 6 steps.
    """
    typical = TYPICAL_OHM_AH / rated_ah
    if grid.time_s.size < 8 or grid.cells_v.shape[0] == 0:
        return typical
    lag = 2
    change_a = grid.current_a[lag:] - grid.current_a[:-lag]
    near = grid.time_s[lag:] - grid.time_s[:-lag] < 3.5 * lag * grid.width_s / 2
    with np.errstate(invalid="ignore"):
        steps = np.flatnonzero((np.abs(change_a) > 0.04 * rated_ah) & near)
    if steps.size < 6:
        return typical
    steps = steps[:: max(1, steps.size // 200)]
    rise = grid.cells_v[:, steps + lag] - grid.cells_v[:, steps]
    known = np.isfinite(rise).all(axis=0)
    if int(known.sum()) < 6:
        return typical
    ratio = np.median(rise[:, known], axis=0) / change_a[steps][known]
    return float(np.clip(np.median(ratio), typical / 4, typical * 4))
