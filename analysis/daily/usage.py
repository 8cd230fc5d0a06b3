"""How a pack was used in a day: times by current, temperature and charge, and its cycles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.daily.thin import Thin, thin
from analysis.day import CleanDay
from analysis.frame import F64
from analysis.stats.rainflow import closed_cycles

C_EDGES = (-1.0, -0.5, -0.3, -0.2, -0.1, -0.05, -0.005, 0.005, 0.05, 0.1, 0.2, 0.3, 0.5, 1.0)
"""Edges of the current histogram; the first and last bin are open. [C]"""
T_EDGES = tuple(float(t) for t in range(-20, 61, 5))
"""Edges of the temperature histogram; the first and last bin are open. [°C]"""
Q_STEP = 0.02
"""Bin of the charge histogram, as a fraction of the rated capacity."""
SMALL_CYCLE = 0.01
"""Closed cycles below this depth are summed, not listed. Fraction of the rated capacity."""


@dataclass(frozen=True, slots=True)
class UsageDay:
    """Times and cycles of a day.

    Attributes
    ----------
    c_rate_s : tuple of float, len 15
        Covered time in each bin of `C_EDGES`. [s]
    temp_s : tuple of float, len 18
        Covered time in each bin of `T_EDGES`, mean of the cell sensors; all 0 without sensors. [s]
    charge_first : int
        Index of the first bin of `charge_s`; bin k spans k to k + 1 times `Q_STEP` of the rated
        capacity, counted from the charge at the day's start.
    charge_s : tuple of float
        Covered time in each of these bins. [s]
    top_s : float
        Covered time with the median cell above 3.38 V. [s]
    turns_ah : tuple of float
        The residual of the day's rainflow count: net charge since the day's start at the turning
        points that are still open. [Ah]
    cycles_ah : tuple of float
        Ranges of the day's closed cycles not smaller than `SMALL_CYCLE`. [Ah]
    small_n : int
        How many were smaller.
    small_ah : float
        Sum of their ranges. [Ah]
    temp_min_c, temp_max_c : float
        Coldest and hottest cell sensor; NaN without. [°C]
    """

    c_rate_s: tuple[float, ...]
    temp_s: tuple[float, ...]
    charge_first: int
    charge_s: tuple[float, ...]
    top_s: float
    turns_ah: tuple[float, ...]
    cycles_ah: tuple[float, ...]
    small_n: int
    small_ah: float
    temp_min_c: float
    temp_max_c: float


def observe_usage(day: CleanDay, view: Thin | None = None) -> UsageDay:
    """Sum up how a pack was used in a day; everything is 0 for an empty day."""
    view = thin(day) if view is None else view
    rated = day.facts.rated_ah
    net = (day.ah_in - day.ah_out)[day.frame.lead :]
    covered = np.diff(day.covered_s[view.index], prepend=0.0) if view.index.size else np.empty(0)
    count = closed_cycles(np.concatenate(([0.0], net)))
    listed = count.ranges >= SMALL_CYCLE * rated
    first, charge_s = _charge_histogram(net[view.index - day.frame.lead] / rated, covered)
    with np.errstate(invalid="ignore"):
        top = view.median_v > 3.38
    coldest, hottest = _extremes(day, view)
    return UsageDay(
        c_rate_s=_time_in(np.array(C_EDGES), view.mean_a / rated, covered),
        temp_s=_time_in(np.array(T_EDGES), view.temp_c, covered),
        charge_first=first,
        charge_s=charge_s,
        top_s=float(covered[top].sum()),
        turns_ah=tuple(count.residual.tolist()),
        cycles_ah=tuple(count.ranges[listed].tolist()),
        small_n=int((~listed).sum()),
        small_ah=float(count.ranges[~listed].sum()),
        temp_min_c=coldest,
        temp_max_c=hottest,
    )


def _time_in(edges: F64, values: F64, seconds: F64) -> tuple[float, ...]:
    """Time spent in each bin of `edges`, with an open bin at both ends; unknown values count nowhere."""
    known = np.isfinite(values)
    bins = np.searchsorted(edges, values[known], side="right")
    total = np.bincount(bins, weights=seconds[known], minlength=edges.size + 1)
    return tuple(np.round(total, 1).tolist())


def _charge_histogram(fraction: F64, seconds: F64) -> tuple[int, tuple[float, ...]]:
    if fraction.size == 0:
        return 0, ()
    bins = np.floor(fraction / Q_STEP).astype(np.int64)
    first = int(bins.min())
    total = np.bincount(bins - first, weights=seconds)
    return first, tuple(np.round(total, 1).tolist())


def _extremes(day: CleanDay, view: Thin) -> tuple[float, float]:
    sensors = day.frame.temps_c[: max(day.facts.cell_temps, 1), view.index]
    known = sensors[np.isfinite(sensors)]
    if known.size == 0:
        return float("nan"), float("nan")
    return float(known.min()), float(known.max())
