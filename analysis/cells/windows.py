"""Which windows of a cell count, and for how much: exact, with an error, or only as a range."""

from __future__ import annotations

import math

import numpy as np

from analysis.cells.offsets import GROUPS, OWN, Offsets
from analysis.cells.window_fit import Problem
from analysis.daily.matching import SPREAD
from analysis.frame import F64, Bool, Int

LEAN = 0.0
"""What an offset without a knee is wrong by in proportion, in the mean. [1] From simulated banks."""
ASSUMED_DEPTH = {"top": 0.0, "middle": 0.5, "bottom": 0.88, "own": 1.0}
"""Depth below full of a window where no full charge is near. [1] Common practice, no source."""
LEAST_WINDOWS, MOST_WINDOWS = 6, 300
WORST_FRACTION, VAGUE_FRACTION = 0.025, 0.012
"""Windows off the top that are vaguer than this part of the rated charge as a whole are left out: a curve
without features tells nothing. A window at the top vaguer than the other part only tells a range, as one at
the end of the search. [1]"""
EDGE_FRACTION = 0.95 * float(SPREAD[-1])
"""Offsets beyond this part of the rated charge lie at the end of the search. [1]"""
SHARP_FRACTION, NEIGHBOURS = 0.0025, 7
"""A window at the top is exact if it is sharper than this part of the rated charge; if so many around it are
vague as a whole, the cell stays out of the knee: one that looks sharp then does so by chance. [1]"""
SHARPEST = 0.7
"""No cell is believed to be sharper than this part of what the cells are in that window. [1]"""
OWN_ERROR, TOP_ERROR = 0.06, 0.08
"""The same from one window to the next. [1]"""
BOUND_SD_AH = 1.0
"""How sharply a vague window rules out what lies beyond its range. [Ah]"""


def scatter_by_group(offsets: Offsets, rated_ah: float) -> F64:
    """Day-to-day scatter of a typical cell in each kind of window, beyond its stated sigma. [Ah]

    Parameters
    ----------
    offsets : Offsets
    rated_ah : float
        Rated capacity. [Ah]

    Returns
    -------
    array, shape (len(GROUPS),)
        From first differences of consecutive windows of a kind; 0.3 Ah where there are fewer than 5.
    """
    out = np.full(len(GROUPS), 0.3)
    used = usable(offsets, rated_ah)
    for g in range(len(GROUPS)):
        rows = np.flatnonzero((offsets.group == g) & used)
        if rows.size < 5:
            continue
        if g == OWN:
            continue  # its errors are stated
        step = np.diff(offsets.dq_ah[rows], axis=0)
        spread = 1.4826 * np.median(np.abs(step)) / math.sqrt(2)
        stated = float(np.median(offsets.sigma_ah[rows]))
        out[g] = math.sqrt(max(spread**2 - 0.25 * stated**2, 0.02**2))
    return out


def usable(offsets: Offsets, rated_ah: float) -> Bool:
    """Windows that enter the fit of a cell.

    Parameters
    ----------
    offsets : Offsets
    rated_ah : float
        Rated capacity. [Ah]

    Returns
    -------
    array, shape (m,)
        All at the top and in the cell's own knee; others if the window is sharp enough as a whole (among
        vague ones those that look sharp by chance are the ones drawn towards 0).
    """
    with np.errstate(invalid="ignore"):
        sharp: Bool = np.median(offsets.sigma_ah, axis=1) < WORST_FRACTION * rated_ah
    return np.asarray((offsets.group == 0) | (offsets.group == OWN) | sharp)


def problem_of(
    offsets: Offsets, cell: int, scatter: F64, rated_ah: float, *, corrected: bool
) -> Problem | None:
    """Make one cell's windows ready to fit.

    Parameters
    ----------
    offsets : Offsets
    cell : int
        Index from 0.
    scatter : array
        `scatter_by_group(offsets)`. [Ah]
    rated_ah : float
        Rated capacity. [Ah]
    corrected : bool
        Take out what balancing did.

    Returns
    -------
    Problem or None
        None below `LEAST_WINDOWS` windows.
    """
    bled = offsets.bleed_ah[:, cell] if corrected else np.zeros(offsets.t_day.size)
    ok: Bool = np.isfinite(offsets.dq_ah[:, cell]) & np.isfinite(offsets.sigma_ah[:, cell])
    ok = ok & usable(offsets, rated_ah)
    if int(ok.sum()) < LEAST_WINDOWS:
        return None
    ok = _thinned(ok)
    kept, bled = _rows(offsets, ok), bled[ok]
    dq, sigma = kept.dq_ah[:, cell], kept.sigma_ah[:, cell]
    sharp = sigma < SHARP_FRACTION * rated_ah
    top = kept.group == 0
    vague = top & (np.maximum(sigma, _around(sigma, top)) > VAGUE_FRACTION * rated_ah)
    vague |= np.abs(dq) > EDGE_FRACTION * rated_ah
    vague &= kept.group != OWN
    typical = np.where(top | (kept.group == OWN), 0.0, np.nanmedian(kept.sigma_ah, axis=1))
    sigma = np.maximum(sigma, SHARPEST * typical)
    own = np.where(kept.group == OWN, 0.0, np.where(top, TOP_ERROR, OWN_ERROR) * np.abs(dq))
    behind = dq > 0  # a curve that has gone flat rules out small offsets, never large ones
    knee = (_named("middle", kept.group, other=True) & sharp) | (kept.group == OWN)
    return Problem(
        offsets=kept,
        y=dq - bled,
        sd=np.where(vague, BOUND_SD_AH, np.sqrt(sigma**2 + scatter[kept.group] ** 2 + own**2)),
        vague=vague,
        exact=top & sharp & ~vague & np.isfinite(kept.most_ah[:, cell] - kept.least_ah[:, cell]),
        open_end=~np.isfinite(np.where(behind, kept.most_ah[:, cell], kept.least_ah[:, cell])),
        least=np.where(vague & behind, kept.least_ah[:, cell] - bled, -np.inf),
        most=np.where(vague & ~behind, kept.most_ah[:, cell] - bled, np.inf),
        t=kept.t_day - float(offsets.t_day.max()),
        depth=_depths(kept, sharp),
        assumed=~np.isfinite(kept.depth),
        lean=np.where(knee, 0.0, LEAN),
        rated_ah=rated_ah,
    )


def _named(where: str, group: Int, *, other: bool = False) -> Bool:
    """Windows of that name, or all others."""
    return np.asarray(np.array([(name == where) != other for name, _ in GROUPS])[group])


def _depths(kept: Offsets, sharp: Bool) -> F64:
    """Depth at which each window compares: known, assumed, or that of the knee that it shows. [1]"""
    assumed = np.array([ASSUMED_DEPTH[where] for where, _ in GROUPS])[kept.group]
    depth = np.where(np.isfinite(kept.depth), np.clip(kept.depth, -0.05, 1.1), assumed)
    return np.asarray(np.where((kept.group == 0) & sharp, 0.0, depth))


def _around(sigma: F64, top: Bool) -> F64:
    """Median sigma of the neighbours in time of each window at the top; 0 for the others. [Ah]"""
    out = np.zeros_like(sigma)
    values = sigma[top]
    if values.size:
        padded = np.pad(values, NEIGHBOURS // 2, mode="edge")
        out[top] = np.median(np.lib.stride_tricks.sliding_window_view(padded, NEIGHBOURS), axis=1)
    return out


def _thinned(ok: Bool) -> Bool:
    """Every k-th window of a long record, so that a fit costs the same."""
    rows = np.flatnonzero(ok)
    out = np.zeros_like(ok)
    out[rows[:: max(1, rows.size // MOST_WINDOWS)]] = True
    out[rows[-60:]] = True
    return out


def _rows(offsets: Offsets, ok: Bool) -> Offsets:
    return Offsets(
        offsets.t_day[ok],
        tuple(day for day, use in zip(offsets.day, ok.tolist(), strict=True) if use),
        offsets.group[ok],
        offsets.depth[ok],
        offsets.dq_ah[ok],
        offsets.sigma_ah[ok],
        offsets.least_ah[ok],
        offsets.most_ah[ok],
        offsets.bleed_ah[ok],
    )
