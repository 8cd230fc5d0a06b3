"""Frames that stand still: a device that goes on answering with what it last knew.

A pack at rest rightly repeats itself for hours, in every digit. So stillness alone proves nothing; it
has to be impossible: charge flowed that must have moved some digit, or the noise that this pack shows
before and after is gone, or the reported state of charge jumps when it ends.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.frame import F64, Bool, Frame, Int

CHARGE_FRACTION = 0.01
"""No pack takes this share of its capacity without a digit of some cell moving. Common practice."""
SHORTEST = 5
"""A shorter standstill is never called one. [samples]"""
NOISE_SURE = 1e-6
"""Chance in a day that a pack's own noise pauses for as long by itself."""
AROUND = 300
"""Samples before and after a standstill that show the pack's noise."""
SOC_JUMP = 0.02
"""Reported state of charge that has to jump at the end of a standstill. [1]"""
CELLS_C = 0.1
"""If the current moves by this much, every cell moves. [C]"""


def stuck_samples(frame: Frame, rated_ah: float) -> tuple[Bool, Bool]:
    """Find samples that only repeat an older one.

    Parameters
    ----------
    frame : Frame
        Times strictly increasing.
    rated_ah : float
        [Ah]

    Returns
    -------
    (array, array), shapes (n,)
        Where the whole frame is stuck, and where the cells are but the current is not. The first sample
        of each standstill is kept.
    """
    n = frame.time_s.size
    if n <= SHORTEST:
        return np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
    cells = _all_repeat(frame.cells_v)
    same = cells & _all_repeat(frame.pack_a) & _all_repeat(frame.pack_v)
    where = np.nonzero(same)[0]
    blocks: list[NDArray[Any]] = [frame.temps_c, *frame.extra.values()]
    for block in blocks:
        same[where] &= _repeat_at(block, where)
    first, last = stretches(same)
    whole = _impossible(frame, same, first, last, rated_ah)
    if frame.n_cells == 0:
        return filled_between(n, first[whole], last[whole]), np.zeros(n, dtype=bool)
    stuck = filled_between(n, first[whole], last[whole])
    first, last = stretches(cells & ~stuck)
    moved = _range_within(frame.pack_a, first, last) > CELLS_C * rated_ah
    return stuck, filled_between(n, first[moved], last[moved])


def _all_repeat(block: NDArray[Any]) -> Bool:
    """Whether each sample equals the one before in every row; NaN equals NaN. False for the first."""
    n = block.shape[-1]
    out = np.zeros(n, dtype=bool)
    equal = block[..., 1:] == block[..., :-1]
    if np.isnan(block).any():
        equal |= np.isnan(block[..., 1:]) & np.isnan(block[..., :-1])
    out[1:] = equal if equal.ndim == 1 else equal.all(axis=0)
    return out


def _repeat_at(block: NDArray[Any], where: Int) -> Bool:
    now, before = block[..., where], block[..., where - 1]
    equal = (now == before) | (np.isnan(now) & np.isnan(before))
    at: Bool = equal if equal.ndim == 1 else equal.all(axis=0)
    return at


def stretches(same: Bool) -> tuple[Int, Int]:
    """The sample before the first repeat, and the last repeat, of stretches of `SHORTEST` or more."""
    edges = np.diff(np.concatenate(([0], same.view(np.int8), [0])))
    first = np.nonzero(edges == 1)[0] - 1
    last = np.nonzero(edges == -1)[0] - 1
    long = last - first >= SHORTEST
    return first[long], last[long]


def filled_between(n: int, first: Int, last: Int) -> Bool:
    """True after each `first` up to and with its `last`."""
    step = np.zeros(n + 1, dtype=np.int64)
    step[first + 1] += 1
    step[last + 1] -= 1
    inside: Bool = np.cumsum(step[:-1]) > 0
    return inside


def _impossible(frame: Frame, same: Bool, first: Int, last: Int, rated_ah: float) -> Bool:
    """Which standstills cannot be a quiet pack."""
    current = np.nan_to_num(np.abs(frame.pack_a[first]))
    charge = current * (frame.time_s[last] - frame.time_s[first]) / 3600
    return (
        (charge > CHARGE_FRACTION * rated_ah)
        | (last - first >= _noise_limit(same, first, last))
        | _soc_jumps(frame, last, charge / rated_ah)
    )


def _noise_limit(same: Bool, first: Int, last: Int) -> F64:
    """Repeats in a row that the noise around a standstill makes all but impossible; infinite if quiet."""
    n = same.size
    count = np.concatenate(([0], np.cumsum(same)))
    limit = np.full(first.size, np.inf)
    shares = []
    for a, b in ((np.maximum(first - AROUND, 0), first), (last + 1, np.minimum(last + 1 + AROUND, n))):
        size = b - a
        share = (count[b] - count[a] + 1) / np.maximum(size, 1)
        shares.append(np.where(size >= AROUND // 3, share, 1.0))
    share = np.clip(np.maximum(*shares), 0.02, 1.0)  # the quieter side speaks
    noisy = share < 0.5
    limit[noisy] = np.log(NOISE_SURE / n) / np.log(share[noisy])
    return limit


def _soc_jumps(frame: Frame, last: Int, counted: F64) -> Bool:
    """Whether the reported state of charge jumps when a standstill ends, by more than was counted in it."""
    soc = frame.channel("soc")
    after = last + 1
    jumps = np.zeros(last.size, dtype=bool)
    if soc is None:
        return jumps
    known = after < soc.size
    with np.errstate(invalid="ignore"):
        jumps[known] = np.abs(soc[after[known]] - soc[last[known]]) > SOC_JUMP + counted[known]
    return jumps


def _range_within(values: NDArray[Any], first: Int, last: Int) -> F64:
    """Largest minus smallest value from each `first` to its `last`."""
    if first.size == 0:
        return np.empty(0)
    padded = np.append(values.astype(np.float64), np.nan)
    cuts = np.stack([first, last + 1], axis=1).ravel()
    high, low = np.fmax.reduceat(padded, cuts)[::2], np.fmin.reduceat(padded, cuts)[::2]
    spread: F64 = np.nan_to_num(high - low)
    return spread
