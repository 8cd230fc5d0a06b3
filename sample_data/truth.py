"""What the long-term numbers of a simulated bank truly are: capacity, round trip, resistance, drift, gaps."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from sample_data.cell import Chemistry
from sample_data.history import PackTruth

Array = NDArray[np.float64]
GAP_S = 30.0
"""Readings further apart than five periods and this have a gap between them. [s]"""


def usable_ah(last: PackTruth) -> float:
    """What can be taken from full (the first cell) to empty (the first cell). [Ah]"""
    pairs = list(zip(last.charge_ah, last.capacity_ah, strict=True))
    return min(q for q, _ in pairs) + min(full - q for q, full in pairs)


def round_trip(days: Sequence[PackTruth], chemistry: Chemistry) -> float:
    """Energy out over energy in at the terminals over days in a row, what is stored more at the end counted.

    Parameters
    ----------
    days : sequence of PackTruth
        Two or more; the first only tells the charge at the start of the second.
    chemistry : Chemistry
        Gives the voltage of what is stored.

    Returns
    -------
    float
        [1]
    """
    first, last = np.array(days[0].charge_ah), np.array(days[-1].charge_ah)
    middle = 0.5 * (first / np.array(days[0].capacity_ah) + last / np.array(days[-1].capacity_ah))
    stored_wh = float(np.dot(last - first, chemistry.equilibrium(middle)))
    put_in = math.fsum(d.wh_in for d in days[1:])
    return (math.fsum(d.wh_out for d in days[1:]) + stored_wh) / put_in


def median_ohm(last: PackTruth, chemistry: Chemistry, base_s: float) -> float:
    """Resistance of the median cell at 25 °C so long after a step of current. [Ω]"""
    slow = (
        r * (1 - math.exp(-base_s / tau))
        for r, tau in zip(chemistry.rc_ohm, chemistry.rc_tau_s, strict=True)
        if r > 0
    )
    return float(np.median(last.r0_ohm)) + math.fsum(slow)


def falls_behind_a(days: Sequence[tuple[dt.date, PackTruth]], cell: int) -> float:
    """Rate at which a cell falls behind the median cell, leak and balancing together: least squares. [A]

    Parameters
    ----------
    days : sequence of (datetime.date, PackTruth)
        Two or more.
    cell : int
        From 1.
    """
    hours = 24.0 * np.array([(day - days[0][0]).days for day, _ in days], dtype=np.float64)
    behind = np.array([float(np.median(t.charge_ah)) - t.charge_ah[cell - 1] for _, t in days])
    return float(np.polyfit(hours, behind, 1)[0])


def missing_h(times_ms: Mapping[dt.date, Array], bounds_s: Mapping[dt.date, tuple[float, float]]) -> float:
    """Hours of some days in a row in which no reading arrived. [h]

    Parameters
    ----------
    times_ms : mapping of datetime.date to array
        Times of the readings of each day; days without any may be left out. [ms]
    bounds_s : mapping of datetime.date to (float, float)
        Start and end of every day. [s]
    """
    lost = 0.0
    for day, (start, end) in bounds_s.items():
        known = np.unique(np.asarray(times_ms.get(day, np.empty(0)), dtype=np.float64)) / 1000
        known = known[(known >= start) & (known < end)]
        if known.size < 2:
            lost += end - start
            continue
        least = max(5 * float(np.median(np.diff(known))), GAP_S)
        lost += math.fsum(b - a for a, b in pairwise([start, *known.tolist(), end]) if b - a > least)
    return lost / 3600
