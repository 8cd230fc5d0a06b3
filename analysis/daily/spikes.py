"""Values that stand alone: a register read while it was written, a flipped bit, a lost byte.

A spike is told from a real pulse by what belongs to it: a current pulse moves every cell, a voltage
without a current pulse cannot jump and come back.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.frame import F32, Bool, Int

CURRENT_C = 0.1
"""A current that stands out by less is left alone. [C] Common practice, no source."""
LEAST_CELL_OHM, MOST_CELL_OHM = 0.12e-3, 2.5e-3
"""Resistance a 280 Ah cell has at least and, in the cold and with poor links, at most. [Ω]
Common practice, no source; scaled with capacity."""
CELL_V, PACK_V, TEMPERATURE_C = 0.03, 0.4, 5.0
"""What has to stand out by more than this to be a spike. [V], [V], [°C] Common practice, no source."""
LOOSE_OHM = 5e-3
"""A loose link may lift one cell by this times the current pulse. [Ω]"""


def median_of_five(x: F32) -> F32:
    """Median of each sample, its two neighbours and theirs; the two samples at each end are themselves.

    Parameters
    ----------
    x : array, shape (n,)
        NaN makes the medians around it NaN.

    Returns
    -------
    array, shape (n,)
    """
    if x.size < 5:  # no sample has two neighbours on each side
        return x.copy()
    a, b, c, d, e = (x[i : x.size - 4 + i] for i in range(5))
    a, b = np.minimum(a, b), np.maximum(a, b)
    c, d = np.minimum(c, d), np.maximum(c, d)
    low, high = np.maximum(a, c), np.minimum(b, d)  # neither the least nor the greatest of the four
    low, high = np.minimum(low, high), np.maximum(low, high)
    out = x.copy()
    out[2:-2] = np.maximum(low, np.minimum(high, e))
    return out


def current_spikes(current_a: F32, voltage_v: F32, rated_ah: float, n_cells: int) -> Bool:
    """Find currents that stand alone, with no voltage that follows.

    Parameters
    ----------
    current_a, voltage_v : array, shape (n,)
        Of the pack. [A], [V]
    rated_ah : float
        [Ah]
    n_cells : int
        Cells in series.

    Returns
    -------
    array, shape (n,)
        Where the current cannot be believed.
    """
    spike = np.zeros(current_a.size, dtype=bool)
    with np.errstate(invalid="ignore"):
        away = current_a - median_of_five(current_a)
        where = np.nonzero(np.abs(away) > CURRENT_C * rated_ah)[0]
        if where.size == 0:
            return spike
        follows = _following(voltage_v - median_of_five(voltage_v), where, np.sign(away[where]))
        least = 0.3 * LEAST_CELL_OHM * 280.0 / rated_ah * n_cells * np.abs(away[where])
        unknown = ~np.isfinite(follows)
        far = np.abs(away[where]) > 2.0 * rated_ah
        spike[where] = np.where(unknown, far, follows < least)
    return spike


def _following(away_v: F32, where: Int, sign: F32) -> NDArray[np.float32]:
    """Largest move of the voltage in a pulse's direction, at it or a sample beside it."""
    last = away_v.size - 1
    beside = np.stack([away_v[np.clip(where + k, 0, last)] for k in (-1, 0, 1)]) * sign
    largest: NDArray[np.float32] = np.fmax.reduce(beside, axis=0)
    return largest


def voltage_spikes(voltage_v: F32, current_a: F32, rated_ah: float, n_cells: int) -> Bool:
    """Find pack voltages that stand alone, with no current that would explain them.

    Returns
    -------
    array, shape (n,)
    """
    with np.errstate(invalid="ignore"):
        away = np.abs(voltage_v - median_of_five(voltage_v))
        spike: Bool = away > PACK_V
        if spike.any():
            pulse = np.abs(current_a - median_of_five(current_a))
            pulse = np.nan_to_num(_widened(pulse))
            spike &= away > MOST_CELL_OHM * 280.0 / rated_ah * n_cells * pulse
    return spike


def _widened(x: F32) -> F32:
    """Largest of each sample and the one on each side."""
    out = x.copy()
    out[1:] = np.fmax(out[1:], x[:-1])
    out[:-1] = np.fmax(out[:-1], x[1:])
    return out


def cell_spikes(cells_v: F32, current_a: F32, rated_ah: float) -> tuple[Int, Int]:
    """Find single cells that jump and come back while the others do not.

    Parameters
    ----------
    cells_v : array, shape (n_cells, n)
        [V]
    current_a : array, shape (n,)
        [A]
    rated_ah : float
        [Ah]

    Returns
    -------
    (array, array), shapes (k,)
        Cell and sample of each spike.
    """
    none = np.empty(0, dtype=np.int64)
    if cells_v.shape[0] < 2 or cells_v.shape[1] < 3:  # no other cell, or no neighbours
        return none, none
    with np.errstate(invalid="ignore"):
        suspect = np.zeros(cells_v.shape[1], dtype=bool)
        highest, lowest = np.fmax.reduce(cells_v, axis=0), np.fmin.reduce(cells_v, axis=0)
        for edge in (highest, lowest):
            suspect[1:-1] |= np.abs(edge[1:-1] - _median_of_three(edge)) > CELL_V
        where = np.nonzero(suspect)[0]
        if where.size == 0:
            return none, none
        near = np.stack([cells_v[:, where + k] for k in (-1, 0, 1)])
        away = near[1] - np.sort(near, axis=0)[1]
        away -= np.median(np.nan_to_num(away), axis=0)
        pulse = np.nan_to_num(_widened(np.abs(np.gradient(current_a)))[where])
        allowed = np.maximum(CELL_V, LOOSE_OHM * 280.0 / rated_ah * pulse)
        cell, at = np.nonzero(np.abs(away) > allowed)
    return cell, where[at]


def _median_of_three(x: F32) -> F32:
    a, b, c = x[:-2], x[1:-1], x[2:]
    middle: F32 = np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))
    return middle


def temperature_spikes(temps_c: F32) -> Bool:
    """Find temperatures that jump and come back.

    Returns
    -------
    array, shape (n_temps, n)
    """
    spike = np.zeros(temps_c.shape, dtype=bool)
    if temps_c.shape[1] < 3:  # no neighbours on both sides
        return spike
    with np.errstate(invalid="ignore"):
        for row, out in zip(temps_c, spike, strict=True):
            if (np.abs(np.diff(row)) > TEMPERATURE_C).any():
                out[1:-1] = np.abs(row[1:-1] - _median_of_three(row)) > TEMPERATURE_C
    return spike
