"""What flowed through a pack in a day."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.day import CleanDay, Mark
from analysis.frame import F32, F64, Bool


@dataclass(frozen=True, slots=True)
class FlowDay:
    """The day's sums and extremes.

    Attributes
    ----------
    total : Mark
        The counters at the last sample of the day.
    max_charge_a, max_discharge_a : float
        Largest current each way that a neighbouring reading bears out, both ≥ 0; 0 if none was seen. [A]
    gap_ah : float
        What the larger of the currents on both sides of each gap would have moved in it, summed: what
        gaps may hide. [Ah]
    i2t_a2h : float
        ∫ I² dt of the covered time; times a resistance it is the heat lost in it. [A²h]
    i2t_in_a2h : float
        The part of it while charging. [A²h]
    positive_s, negative_s : float
        Covered time with the meter above and below zero; a zero error of the sensor shifts the sums by
        itself times these. [s]
    positive_vh, negative_vh : float
        ∫ V dt over those times, by which a zero error shifts the energies; 0 where the pack gives no voltage
        of its own. [V h]
    """

    total: Mark
    max_charge_a: float
    max_discharge_a: float
    gap_ah: float
    i2t_a2h: float
    i2t_in_a2h: float
    positive_s: float
    negative_s: float
    positive_vh: float = 0.0
    negative_vh: float = 0.0


def observe_flow(day: CleanDay) -> FlowDay:
    """Sum a day.

    Parameters
    ----------
    day : CleanDay
        May be empty: everything is then 0 at `start_s`.

    Returns
    -------
    FlowDay
    """
    frame = day.frame
    if frame.time_s.size == 0:
        return FlowDay(Mark(float(frame.start_s), 0.0, 0.0, 0.0, 0.0, 0.0), 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    own = slice(frame.lead, None)
    current = np.nan_to_num(frame.pack_a[own], nan=0.0).astype(np.float64)
    dt = day.dt_s[own]
    held = _borne_out(current)
    square = current * current * dt
    charging = current > 0
    return FlowDay(
        total=day.mark(frame.time_s.size - 1),
        max_charge_a=float(max(held.max(initial=0.0), 0.0)),
        max_discharge_a=float(max(-held.min(initial=0.0), 0.0)),
        gap_ah=_gap_ah(day),
        i2t_a2h=float(square.sum()) / 3600,
        i2t_in_a2h=float(square[charging].sum()) / 3600,
        positive_s=float(dt[charging].sum()),
        negative_s=float(dt[current < 0].sum()),
        positive_vh=_volt_hours(frame.pack_v[own], dt, charging),
        negative_vh=_volt_hours(frame.pack_v[own], dt, current < 0),
    )


def _volt_hours(volts: F32, dt: F64, where: Bool) -> float:
    """Integral of the voltage over some samples, those without one at the mean of the others. [V h]"""
    known = where & np.isfinite(volts)
    if not known.any():
        return 0.0
    mean = float(np.dot(volts[known].astype(np.float64), dt[known])) / max(float(dt[known].sum()), 1e-9)
    return mean * float(dt[where].sum()) / 3600


def _borne_out(current: F64) -> F64:
    """Median of each reading and its neighbours: a peak that no other reading bears out is none."""
    if current.size < 3:
        return current
    a, b, c = current[:-2], current[1:-1], current[2:]
    return np.asarray(np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c)), dtype=np.float64)


def _gap_ah(day: CleanDay) -> float:
    at = np.nonzero(day.gap)[0]
    at = at[at >= max(day.frame.lead, 1)]
    if at.size == 0:
        return 0.0
    current = np.nan_to_num(np.abs(day.frame.pack_a.astype(np.float64)))
    larger = np.maximum(current[at], current[at - 1])
    return float((larger * (day.frame.time_s[at] - day.frame.time_s[at - 1])).sum()) / 3600
