"""The day on which a drifting cell ends a charge or a discharge of the pack, or why it cannot be told."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from analysis.cells.imbalance import CellImbalance
from analysis.cells.offsets import LOW_KNEE, left_at
from analysis.cells.use import Ends, Use, depth_of_use, ends_of_charge
from analysis.finding import Forecast
from analysis.frame import F64
from analysis.history import History

HORIZON_DAYS = 730
"""Nothing is forecast beyond. [days]"""
CAPACITY_SPREAD = 0.035
"""What the true capacity may differ from the rated one where it was not measured (standard deviation). [1]
Common practice, no source."""
COUNTER_SPREAD = 0.012
"""Gain error of the charge counter. [1] Common practice, no source."""
TOP_MARGIN_V = 0.015
"""What the end of a charge differs from one to the next. [V] Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Reserve:
    """Charge a cell has left at the deepest usual discharge. [Ah]"""

    value: float
    sd: float
    basis: str


def low_reserve(
    history: History, one: CellImbalance, use: Use, capacity: tuple[float, float] | None
) -> Reserve | None:
    """Estimate what a cell has left when the bank is discharged as deep as it usually is.

    Parameters
    ----------
    history : History
    one : CellImbalance
    use : Use
    capacity : (float, float) or None
        Capacity of the median cell and its standard deviation where it was measured. [Ah]

    Returns
    -------
    Reserve or None
        None if neither the depth of use nor the lower knee is known.
    """
    rated = history.facts.rated_ah
    behind = one.top.value or 0.0
    found: list[tuple[float, float, str]] = []
    if math.isfinite(use.deep_ah):
        size, size_sd = capacity or (rated, CAPACITY_SPREAD * rated)
        short = one.deficit.value if one.deficit.value is not None and _sd(one) < 0.03 * rated else 0.0
        short = short if short is not None and abs(short) > 0.01 * rated else 0.0
        sd = math.hypot(size_sd, COUNTER_SPREAD * use.deep_ah, 0.02 * rated if short == 0 else _sd(one))
        found.append(
            (
                size - short - behind - use.deep_ah,
                sd,
                f"the bank is discharged to {use.deep_ah:.0f} Ah below full, of {size:.0f} Ah",
            )
        )
    seen = _lowest(history, one.cell)
    if seen is not None:
        voltage, n = seen
        left = float(left_at(np.array(voltage))) * rated
        found.append(
            (left, 0.3 * left + 1.0, f"it came down to {voltage:.2f} V, free of the load, in {n} discharges")
        )
    if not found:
        return None
    weight = np.array([1 / sd**2 for _, sd, _ in found])
    value = float(np.array([v for v, _, _ in found]) @ weight / weight.sum())
    return Reserve(value, float(1 / math.sqrt(weight.sum())), "; ".join(words for _, _, words in found))


def _sd(one: CellImbalance) -> float:
    if one.deficit.low is None or one.deficit.high is None:
        return math.inf
    return (one.deficit.high - one.deficit.low) / 3.92


def _lowest(history: History, cell: int) -> tuple[float, int] | None:
    """Typical deep voltage of a cell at the bottom, roughly free of the load, if it is in the knee."""
    values = [
        window.extreme_v[cell - 1] - min(window.mean_a, 0.0) * 1.3 * digest.knees.resistance_ohm
        for digest in history.digests[-14:]
        for window in digest.knees.passes
        if window.where == "bottom" and window.sign < 0 and len(window.extreme_v) >= cell
    ]
    if len(values) < 2:
        return None
    voltage = float(np.quantile(values, 0.2))
    return (voltage, len(values)) if voltage < LOW_KNEE[0][0] else None


def top_voltages(ends: Ends, behind_ah: F64) -> F64:
    """Voltages at the end of a charge when cells fall behind by so much more than now.

    The charger holds the sum; a cell that falls behind takes less of it and the others more, each along the
    measured knee, continued above as it ends.

    Parameters
    ----------
    ends : Ends
    behind_ah : array, shape (n_cells,)
        Charge by which each cell falls behind its present place. [Ah]

    Returns
    -------
    array, shape (n_cells,)
        [V]
    """
    v, q = ends.curve_v, ends.curve_ah
    keep = np.concatenate(([True], np.diff(v) > 1e-5))
    v, q = v[keep], q[keep]
    steep = (v[-1] - v[-3]) / max(q[-1] - q[-3], 1e-3)
    growth = max(steep / max(v[-1] - v[0], 0.02), 0.02)
    extra_q = np.linspace(0.1, 8.0, 40)
    extra_v = v[-1] + steep / growth * (np.exp(np.minimum(growth * extra_q, 8.0)) - 1)
    q, v = np.concatenate((q, q[-1] + extra_q)), np.concatenate((v, extra_v))
    place = np.interp(ends.highest_v, v, q)
    low, high = -5.0, 60.0
    for _ in range(50):
        middle = (low + high) / 2
        total = float(np.interp(place - behind_ah + middle, q, v).sum())
        low, high = (middle, high) if total < ends.highest_v.sum() else (low, middle)
    return np.asarray(np.interp(place - behind_ah + low, q, v))


def _high_day(ends: Ends, cell: int, slope: float, limit_v: float) -> tuple[float, int]:
    """Days until a cell crosses the limit when `cell` drifts by `slope` [Ah/day], and which; inf if never."""
    behind = np.zeros(ends.highest_v.size)
    for days in (0, 3, 7, 14, 21, 30, 45, 60, 90, 120, 180, 270, 365, 550, HORIZON_DAYS):
        behind[cell - 1] = slope * days
        end = top_voltages(ends, behind)
        if float(end.max()) >= limit_v:
            return float(days), int(np.argmax(end)) + 1
    return math.inf, 0


def trip_forecast(
    history: History, one: CellImbalance, *, capacity: tuple[float, float] | None = None
) -> Forecast:
    """Forecast the trip of a cell that falls behind.

    Parameters
    ----------
    history : History
    one : CellImbalance
    capacity : (float, float), optional
        Capacity of the median cell and its standard deviation. [Ah]

    Returns
    -------
    Forecast
        Always one; without a day it gives the reason.
    """
    slope = one.slope
    today = date.fromisoformat(history.digests[-1].day)
    what_low = f"cell {one.cell} is empty first and ends the discharge by low voltage"
    if slope.value is None or slope.low is None or slope.high is None:
        return Forecast(what_low, reason="its drift is not known yet")
    if slope.value <= 0 or slope.low <= 0:
        return Forecast(
            what_low, reason="balancing holds it: as it shows, the cell does not fall further behind"
        )
    pace, fast, slow = slope.value * 0.024, slope.high * 0.024, max(slope.low * 0.024, 1e-4)
    use = depth_of_use(history)
    ends = ends_of_charge(history)
    limit = history.facts.cell_high_trip_v
    if ends is not None:
        day, who = _high_day(ends, one.cell, pace, limit)
        if day <= HORIZON_DAYS:
            early, _ = _high_day(ends, one.cell, fast, limit - TOP_MARGIN_V)
            late, _ = _high_day(ends, one.cell, slow, limit + TOP_MARGIN_V)
            high = (day, early, min(late, HORIZON_DAYS), f"cell {who} ends the charge by high voltage")
        else:
            high = None
    else:
        high = None
    reserve = low_reserve(history, one, use, capacity)
    low = None
    if reserve is not None:
        spread = 1.96 * reserve.sd
        deeper = max(use.extreme_ah - use.deep_ah, 0.0) if math.isfinite(use.deep_ah) else 0.0
        shallower = max(use.deep_ah - use.typical_ah, 0.0) if math.isfinite(use.deep_ah) else 0.0
        middle = max(reserve.value, 0.0) / pace
        ahead = math.hypot(math.hypot(spread, deeper) / pace, middle * (1 - pace / fast))
        after = math.hypot(math.hypot(spread, shallower) / pace, middle * (pace / slow - 1))
        low = (middle, max(middle - ahead, 0.0), middle + after, what_low)
    options = [x for x in (high, low) if x is not None and x[0] <= HORIZON_DAYS]
    if not options:
        reason = (
            f"no trip within two years at this pace: {reserve.basis}"
            if reserve is not None
            else "neither the end of charge nor the depth of use is known well enough yet"
        )
        return Forecast(what_low, reason=reason)
    mid, early, late, what = min(options, key=lambda x: x[0])
    early = min(early, *(x[1] for x in options))
    return Forecast(
        what,
        day=_on(today, mid),
        earliest=_on(today, early),
        latest=_on(today, min(late, 2 * HORIZON_DAYS)),
    )


def standing_forecast(history: History, one: CellImbalance) -> Forecast:
    """Say what a cell that does not drift has left at the bottom: no day, but the reason.

    Parameters
    ----------
    history : History
    one : CellImbalance

    Returns
    -------
    Forecast
        Without a day.
    """
    what = f"cell {one.cell} is empty first and ends the discharge by low voltage"
    reserve = low_reserve(history, one, depth_of_use(history), None)
    if reserve is None:
        return Forecast(what, reason="no drift is sure, and the depth of use is not known well enough yet")
    if reserve.value <= 0:
        return Forecast(what, reason=f"nothing is left at the usual depth of use: {reserve.basis}")
    return Forecast(
        what,
        reason=(
            f"no drift is sure; at the usual depth of use it keeps {reserve.value:.0f} ± "
            f"{1.96 * reserve.sd:.0f} Ah: {reserve.basis}"
        ),
    )


def _on(today: date, days: float) -> str:
    return (today + timedelta(days=round(days))).isoformat()
