"""How a bank is used: how deep it is discharged, and how its charges end. What a trip forecast stands on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.cells.offsets import NEAR_FULL_S
from analysis.frame import F64
from analysis.history import History

RECENT_DAYS = 60
"""Days of use that count. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Use:
    """Depth of use of the recent days.

    Attributes
    ----------
    deepest_ah : array, shape (days,)
        Deepest discharge of each day below the last full charge; only days where it is known. [Ah]
    typical_ah, deep_ah, extreme_ah : float
        Its median, 90 % quantile and maximum; NaN if never known. [Ah]
    """

    deepest_ah: F64
    typical_ah: float
    deep_ah: float
    extreme_ah: float


@dataclass(frozen=True, slots=True)
class Ends:
    """How recent charges ended at the top.

    Attributes
    ----------
    highest_v : array, shape (n_cells,)
        Typical highest voltage of each cell in a charge that reached the top. [V]
    sum_v : float
        Their sum, about what the charger holds. [V]
    curve_v, curve_ah : array, shape (k,)
        Shape of the top knee; charge relative to its first point. [V], [Ah]
    n : int
        Charges.
    """

    highest_v: F64
    sum_v: float
    curve_v: F64
    curve_ah: F64
    n: int


def depth_of_use(history: History) -> Use:
    """Measure how deep the bank is discharged.

    Parameters
    ----------
    history : History

    Returns
    -------
    Use
    """
    full = [(a.mark.time_s, a.mark.ah) for a in history.anchors("full")]
    deepest: dict[int, float] = {}
    if full:
        times, charges = np.array([t for t, _ in full]), np.array([q for _, q in full])
        first = max(0, len(history.digests) - RECENT_DAYS)
        for i in range(first, len(history.digests)):
            for one in history.digests[i].knees.passes:
                if one.sign > 0:
                    continue
                end = history.at(i, one.end)
                k = int(np.searchsorted(times, end.time_s)) - 1
                if k >= 0 and end.time_s - times[k] < NEAR_FULL_S:
                    deepest[i] = max(deepest.get(i, 0.0), float(charges[k] - end.ah))
    values = np.array(sorted(deepest.values()))
    if values.size < 3:
        nan = float("nan")
        return Use(values, nan, nan, nan)
    return Use(values, float(np.median(values)), float(np.quantile(values, 0.9)), float(values[-1]))


def ends_of_charge(history: History) -> Ends | None:
    """Describe how charges end at the top.

    Parameters
    ----------
    history : History

    Returns
    -------
    Ends or None
        None below 3 charges that reached the top knee.
    """
    tops = [
        one
        for digest in history.digests[-RECENT_DAYS:]
        for one in digest.knees.passes
        if one.where == "top" and len(one.curve_v) > 4 and len(one.extreme_v) == digest.n_cells
    ]
    if len(tops) < 3:
        return None
    tops = tops[-20:]
    highs = np.array([one.extreme_v for one in tops])
    sums = highs.sum(axis=1)
    strong = highs[sums >= np.quantile(sums, 0.5)]
    best = max(tops, key=lambda one: one.curve_v[-1] - one.curve_v[0])
    curve_ah = np.array(best.curve_ah)
    return Ends(
        np.median(strong, axis=0),
        float(np.quantile(sums, 0.8)),
        np.array(best.curve_v),
        curve_ah - curve_ah[0],
        len(tops),
    )
