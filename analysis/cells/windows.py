"""Which windows of a cell count, and for how much: exact, with an error, or only as a range."""

from __future__ import annotations

import math

import numpy as np

from analysis.cells.offsets import GROUPS, Offsets
from analysis.cells.window_fit import Problem
from analysis.frame import F64, Bool, Int

LEAN = -0.1
"""What an offset without a knee is wrong by in proportion, in the mean: a curve with few features draws it
towards 0. [1] From simulated banks."""
ASSUMED_DEPTH = {"top": 0.0, "middle": 0.5, "bottom": 0.88}
"""Depth below full of a window where no full charge is near. [1] Common practice, no source."""
LEAST_WINDOWS, MOST_WINDOWS = 6, 300
WORST_FRACTION = 0.012
"""Windows of the plateau and the bottom vaguer than this part of the rated charge are left out: a curve
without features draws every offset towards 0. [1]"""
SHARP_FRACTION, NEIGHBOURS = 0.0025, 7
"""A window at the top is exact if it is sharper than this part of the rated charge; if so many around it are
vague as a whole, the cell stays out of the knee: one that looks sharp then does so by chance. [1]"""
OWN_ERROR = 0.1
"""The same from one window to the next. [1]"""
BOUND_SD_AH = 1.0
"""How sharply a vague window rules out what lies beyond its range. [Ah]"""
FAR_FRACTION, LOST_OF, LOST_LEAST, EARLY = 0.165, 9, 3, 20
"""A cell is lost when so many of so many windows have it near the end of the search, unless its first windows
at the bottom already had it far: that is a deficit. [1]"""
KNEE_DEPTH = 0.93
"""Depth, by its own charge, at which a cell is in its lower knee. [1] Common practice, no source."""


def scatter_by_group(offsets: Offsets) -> F64:
    """Day-to-day scatter of a typical cell in each kind of window, beyond its stated sigma. [Ah]

    Parameters
    ----------
    offsets : Offsets

    Returns
    -------
    array, shape (len(GROUPS),)
        From first differences of consecutive windows of a kind; 0.3 Ah where there are fewer than 5.
    """
    out = np.full(len(GROUPS), 0.3)
    for g in range(len(GROUPS)):
        rows = np.flatnonzero(offsets.group == g)
        if rows.size < 5:
            continue
        step = np.diff(offsets.dq_ah[rows], axis=0)
        spread = 1.4826 * np.median(np.abs(step)) / math.sqrt(2)
        stated = float(np.median(offsets.sigma_ah[rows]))
        out[g] = math.sqrt(max(spread**2 - 0.25 * stated**2, 0.02**2))
    return out


def usable(offsets: Offsets, cell: int, rated_ah: float) -> Bool:
    """Windows that enter the fit of a cell.

    Parameters
    ----------
    offsets : Offsets
    cell : int
        Index from 0.
    rated_ah : float
        Rated capacity. [Ah]

    Returns
    -------
    array, shape (m,)
        All at the top; those at the bottom in which the cell itself reached its knee; those on the plateau
        if they are sharp enough as a whole (among vague ones those that look sharp by chance are the
        ones drawn towards 0).
    """
    worst = WORST_FRACTION * rated_ah
    out: Bool = offsets.group == 0
    with np.errstate(invalid="ignore"):
        for g in range(1, len(GROUPS)):
            rows = offsets.group == g
            if GROUPS[g][0] == "bottom":
                out = out | (rows & (offsets.sigma_ah[:, cell] < worst))
            elif rows.any() and float(np.nanmedian(offsets.sigma_ah[rows])) < worst:
                out = out | rows
    return out


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
    ok = ok & usable(offsets, cell, rated_ah) & (offsets.t_day < _lost(offsets, cell, rated_ah))
    if int(ok.sum()) < LEAST_WINDOWS:
        return None
    ok = _thinned(ok)
    kept, bled = _rows(offsets, ok), bled[ok]
    dq, sigma = kept.dq_ah[:, cell], kept.sigma_ah[:, cell]
    sharp = sigma < SHARP_FRACTION * rated_ah
    vague = np.maximum(sigma, _around(sigma, kept.group == 0)) > WORST_FRACTION * rated_ah
    own = np.where(kept.group == 0, 0.0, OWN_ERROR * np.abs(dq))
    behind = dq > 0  # a curve that has gone flat rules out small offsets, never large ones
    knee = _named("middle", kept.group, other=True) & sharp
    return Problem(
        offsets=kept,
        y=dq - bled,
        sd=np.where(vague, BOUND_SD_AH, np.sqrt(sigma**2 + scatter[kept.group] ** 2 + own**2)),
        vague=vague,
        exact=(kept.group == 0) & sharp,
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
    own_knee = (kept.group == GROUPS.index(("bottom", -2))) & sharp
    depth = np.where(own_knee, np.maximum(depth, KNEE_DEPTH), depth)
    return np.asarray(np.where((kept.group == 0) & sharp, 0.0, depth))


def _around(sigma: F64, top: Bool) -> F64:
    """Median sigma of the neighbours in time of each window at the top; 0 for the others. [Ah]"""
    out = np.zeros_like(sigma)
    values = sigma[top]
    if values.size:
        padded = np.pad(values, NEIGHBOURS // 2, mode="edge")
        out[top] = np.median(np.lib.stride_tricks.sliding_window_view(padded, NEIGHBOURS), axis=1)
    return out


def _lost(offsets: Offsets, cell: int, rated_ah: float) -> float:
    """Day from which a cell is so far behind that windows are no measure: the search ends there."""
    rows = np.flatnonzero(np.isfinite(offsets.dq_ah[:, cell]))
    far = offsets.least_ah[rows, cell] > FAR_FRACTION * rated_ah
    if rows.size < LOST_OF:
        return math.inf
    low = _named("bottom", offsets.group[rows])
    if low.any() and float(np.median(offsets.dq_ah[rows[low][:EARLY], cell])) > 0.5 * FAR_FRACTION * rated_ah:
        return math.inf
    many = np.convolve(far, np.ones(LOST_OF), "valid") >= LOST_LEAST
    return float(offsets.t_day[rows[int(np.argmax(many))]]) if many.any() else math.inf


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
