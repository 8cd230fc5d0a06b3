"""All offsets of a history in one table: what every window of every day said about every cell."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.daily.knees import KneePass
from analysis.frame import F64, Int
from analysis.history import History

GROUPS = (
    ("top", 1),
    ("middle", 1),
    ("middle", -1),
    ("bottom", -1),
    ("bottom", -2),
    ("own", -1),
)
"""Kinds of window; each may be biased in a way of its own. The last but one: a discharge that ended before
the median cell was in its knee, so that a cell in the knee is compared with the plateau. The last: by how
much less than its rated charge a cell gave from the full charge down to its own knee."""
TOP = GROUPS.index(("top", 1))
OWN = GROUPS.index(("own", -1))
KNEE_V = 3.16
"""Below this, free of current, the median cell is in its lower knee. [V] Common practice, no source."""
NEAR_FULL_S = 3 * 86400.0
"""A depth below full is only known this near to a full charge. [s] Common practice, no source."""
NEAR_END_S, NEVER_FULL = 1.5 * 86400.0, 0.06
"""Without a full charge the end of charge stands for it, assumed to lie this far below. [s], [1]
Common practice, no source."""
OWN_V, LOAD_FACTOR = 3.12, 1.3
"""A cell is in its own knee below this, freed of so many times the prompt drop. [V], [1]
Common practice, no source."""
LOW_KNEE = (
    (3.20, 0.085),
    (3.15, 0.060),
    (3.10, 0.042),
    (3.00, 0.024),
    (2.90, 0.015),
    (2.80, 0.009),
    (2.50, 0.0),
)
"""Charge left, as part of the capacity, of a lightly loaded cell at this voltage on the way down. [V], [1]
From memory of slow discharge curves of lithium iron phosphate cells; ± 30 %."""
LEFT_ERROR, ZERO_A, COUNT_AH = 0.3, 0.08, 0.3
"""Errors of the charge left at a voltage [1], of the counter by its zero [A], and what else there is [Ah]."""
FULL_V, ROOM = 3.41, 0.015
"""Above this, free of current, the median cell lacks no more than this part of its charge at the end of a
charge: no cell below its limit can be further ahead. [V], [1] Common practice, no source; from memory of slow
charge curves, which stand at 3.40 V with 1 % to go."""
LONGEST_DAYS = 400
"""Older windows do not enter a diagnosis."""


@dataclass(frozen=True, slots=True)
class Offsets:
    """Windows in order of time, m of them, for n cells.

    Attributes
    ----------
    t_day : array, shape (m,)
        Days since the epoch, UTC. [days]
    day : tuple of str
        Local date of each.
    group : array, shape (m,)
        Index into `GROUPS`.
    depth : array, shape (m,)
        Charge below full as part of the rated capacity; NaN where no full charge is near. [1]
    dq_ah, sigma_ah, least_ah, most_ah : array, shape (m, n)
        As in `analysis.daily.knees.KneePass`; infinite where a limit cannot be told. [Ah]
    bleed_ah : array, shape (m, n)
        What balancing took out of each cell since the first day, less the median cell's; 0 if the
        pack does not say. [Ah]
    """

    t_day: F64
    day: tuple[str, ...]
    group: Int
    depth: F64
    dq_ah: F64
    sigma_ah: F64
    least_ah: F64
    most_ah: F64
    bleed_ah: F64


def bleed_by_day(history: History, n: int) -> F64:
    """Charge that balancing took out of each cell by the start of each day, less the median cell's.

    Parameters
    ----------
    history : History
    n : int
        Cells.

    Returns
    -------
    array, shape (days + 1, n)
        0 on days without knowledge. [Ah]
    """
    rows = np.zeros((len(history.digests) + 1, n))
    if n == 0:  # no cell voltages at all
        return rows
    for i, digest in enumerate(history.digests):
        balanced = digest.knees.balancing.balanced_s
        if len(balanced) == n:
            rows[i + 1] = balanced
    taken = np.cumsum(rows, axis=0) * history.facts.balance_a / 3600.0
    return np.asarray(taken - np.median(taken, axis=1, keepdims=True))


def collect(history: History) -> Offsets:
    """Gather the windows of a history, the last `LONGEST_DAYS` days of it.

    Parameters
    ----------
    history : History

    Returns
    -------
    Offsets
        Empty if no day has a window.
    """
    n = max((d.n_cells for d in history.digests), default=0)
    bleed = bleed_by_day(history, n)
    full = [(a.mark.time_s, a.mark.ah) for a in history.anchors("full")]
    full_t = np.array([t for t, _ in full])
    full_q = np.array([q for _, q in full])
    highs = _ends_of_charge(history, topped=full_t.size > 0)
    days, t_day, group, depth, taken = [], [], [], [], []
    cells: list[tuple[tuple[float, ...], ...]] = []
    first = max(0, len(history.digests) - LONGEST_DAYS)
    for i in range(first, len(history.digests)):
        digest = history.digests[i]
        if digest.n_cells != n:
            continue
        for one in digest.knees.passes:
            mark = history.at(i, one.mark)
            days.append(digest.day)
            t_day.append(mark.time_s / 86400.0)
            group.append(_kind(one))
            below = _depth(mark.time_s, mark.ah, full_t, full_q) / history.facts.rated_ah
            if math.isnan(below):
                below = _below_end(mark.time_s, mark.ah, highs) / history.facts.rated_ah + NEVER_FULL
            depth.append(below)
            cells.append(_within_room(one, ROOM * history.facts.rated_ah))
            taken.append(bleed[i])
            own = _own_knee(history, i, one, full_t, full_q)
            if own is not None:
                end = history.at(i, one.end)
                days.append(digest.day)
                t_day.append(end.time_s / 86400.0)
                group.append(OWN)
                depth.append(1.0)
                cells.append(own)
                taken.append(bleed[i])
    block = np.array(cells, dtype=np.float64).reshape(len(cells), 4, n)
    return Offsets(
        t_day=np.array(t_day),
        day=tuple(days),
        group=np.array(group, dtype=np.int64),
        depth=np.array(depth),
        dq_ah=block[:, 0],
        sigma_ah=block[:, 1],
        least_ah=np.where(np.isnan(block[:, 2]), -np.inf, block[:, 2]),
        most_ah=np.where(np.isnan(block[:, 3]), np.inf, block[:, 3]),
        bleed_ah=np.array(taken).reshape(len(taken), n),
    )


def _within_room(one: KneePass, room_ah: float) -> tuple[tuple[float, ...], ...]:
    """Offsets, sigmas and limits of a window; a cell further ahead than there is room for is ahead.

    While a charger holds the sum of the cells, the current falls, the median cell stands still and the curve
    beyond it is drawn by the cell that is ahead: how far it is would be read from polarisation.
    """
    told = (one.dq_ah, one.sigma_ah, one.least_ah, one.most_ah)
    if (
        one.where != "top"
        or len(one.curve_v) < 3
        or float(np.interp(0.0, one.curve_ah, one.curve_v)) < FULL_V
    ):
        return told
    dq, sigma, least, most = (np.array(x) for x in told)
    far = dq < -room_ah
    return (
        tuple(np.where(far, -room_ah, dq).tolist()),
        tuple(np.where(far, np.maximum(sigma, room_ah), sigma).tolist()),
        tuple(np.where(far, -room_ah, least).tolist()),
        tuple(np.where(far, 0.0, most).tolist()),
    )


def _ends_of_charge(history: History, *, topped: bool) -> F64:
    """Time and counter at the end of every charge, or of those that got into the top knee. [s], [Ah]"""
    ends = [
        history.at(i, one.end)
        for i, digest in enumerate(history.digests)
        for one in digest.knees.passes
        if one.sign > 0 and (one.where == "top" or not topped)
    ]
    return np.array([(end.time_s, end.ah) for end in ends]).reshape(len(ends), 2)


def _kind(one: KneePass) -> int:
    """Index into `GROUPS`."""
    alone = one.where == "bottom" and one.sign < 0 and len(one.curve_v) > 2
    if alone and float(np.interp(0.0, one.curve_ah, one.curve_v)) > KNEE_V:
        return GROUPS.index(("bottom", -2))
    return GROUPS.index((one.where, one.sign))


def _own_knee(
    history: History, i: int, one: KneePass, full_t: F64, full_q: F64
) -> tuple[tuple[float, ...], ...] | None:
    """What each cell that ran down into its own knee gave since the full charge, below its rated charge.

    Offset at the top and missing capacity together, whatever the others do; common to all such windows is
    that the rated charge is not the true one. None if no cell did, or no full charge is near.
    """
    digest, rated = history.digests[i], history.facts.rated_ah
    if one.where != "bottom" or one.sign > 0 or len(one.extreme_v) != digest.n_cells or full_t.size == 0:
        return None
    free = np.array(one.extreme_v) - LOAD_FACTOR * one.mean_a * digest.knees.resistance_ohm
    low = free < OWN_V
    end = history.at(i, one.end)
    k = int(np.argmin(np.abs(full_t - end.time_s)))
    away = abs(float(full_t[k]) - end.time_s)
    if not low.any() or away > NEAR_FULL_S:
        return None
    left = left_at(free) * rated
    dq = np.where(low, rated - left - (float(full_q[k]) - end.ah), np.nan)
    sigma = np.sqrt((LEFT_ERROR * left) ** 2 + (ZERO_A * away / 3600.0) ** 2 + COUNT_AH**2)
    open_ = (math.nan,) * digest.n_cells
    return tuple(dq.tolist()), tuple(np.where(low, sigma, np.nan).tolist()), open_, open_


def left_at(voltage: F64) -> F64:
    """Charge left of a lightly loaded cell at a voltage in its lower knee, as part of its capacity. [1]"""
    levels = np.array([v for v, _ in LOW_KNEE])[::-1]
    return np.asarray(np.interp(voltage, levels, np.array([p for _, p in LOW_KNEE])[::-1]))


def _below_end(time_s: float, ah: float, highs: F64) -> float:
    """Charge below the highest end of charge within a day and a half; NaN if there is none. [Ah]"""
    near = np.abs(highs[:, 0] - time_s) < NEAR_END_S
    return float(highs[near, 1].max() - ah) if near.any() else float("nan")


def _depth(time_s: float, ah: float, full_t: F64, full_q: F64) -> float:
    """Charge below the nearest full charge; NaN if none is near. [Ah]"""
    if full_t.size == 0:
        return float("nan")
    k = int(np.argmin(np.abs(full_t - time_s)))
    return float(full_q[k] - ah) if abs(full_t[k] - time_s) < NEAR_FULL_S else float("nan")
