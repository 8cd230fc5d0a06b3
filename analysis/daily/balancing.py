"""What the balancer did in a day, as far as the pack tells, and what it could have done."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.daily.grid import Grid
from analysis.day import CleanDay

CHARGING_C = 0.002
"""Balancing is taken to be possible above this rate of charge. [C] Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Balancing:
    """Balancing of one day; tuples hold one value a cell.

    Attributes
    ----------
    source : str
        "cells" if the pack says which cells it balances, "flag" if it only says that it does (the time is
        then given to the cells above the starting voltage), "none" if it says nothing.
    balanced_s : tuple of float
        Time each cell was balanced; empty for "none". [s]
    possible_s : tuple of float
        Time each cell spent above the voltage at which balancing starts, while charging. [s]
    """

    source: str
    balanced_s: tuple[float, ...]
    possible_s: tuple[float, ...]


def observe_balancing(day: CleanDay, grid: Grid) -> Balancing:
    """Sum the day's balancing.

    Parameters
    ----------
    day : CleanDay
    grid : Grid
        `gridded(day)`.

    Returns
    -------
    Balancing
        All zero for an empty day.
    """
    frame, n = day.frame, day.frame.n_cells
    if grid.time_s.size == 0 or n == 0:
        return Balancing("none", (), (0.0,) * n)
    hold = np.minimum(np.diff(grid.time_s, append=grid.time_s[-1] + grid.width_s), 5 * grid.width_s)
    with np.errstate(invalid="ignore"):
        high = (grid.cells_v > day.facts.balance_start_v) & (grid.current_a > CHARGING_C * day.facts.rated_ah)
    possible = tuple(np.round((high * hold).sum(axis=1)).tolist())
    bits, flag = frame.channel("balancing_cells"), frame.channel("balancing")
    if bits is not None and np.isfinite(bits).any():
        dt = np.append(day.dt_s[1:], 0.0)[frame.lead :]
        mask = np.nan_to_num(bits[frame.lead :]).astype(np.int64)
        on = np.flatnonzero(mask)
        times = [round(float(dt[on][(mask[on] >> j) & 1 == 1].sum())) for j in range(n)]
        return Balancing("cells", tuple(float(t) for t in times), possible)
    if flag is not None and np.isfinite(flag).any():
        shown = np.nan_to_num(flag[grid.first]) > 0
        return Balancing("flag", tuple(np.round((high * (hold * shown)).sum(axis=1)).tolist()), possible)
    return Balancing("none", (), possible)
