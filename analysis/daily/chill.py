"""The cold in a day: ambient, hours below freezing, charge pushed and refused there, how fast cells cool."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.daily.heater import held_flag
from analysis.daily.minutes import Minutes, believable, row_median
from analysis.daily.warming import smooth
from analysis.day import CleanDay
from analysis.frame import F64, Bool

MEANINGFUL_C = 0.02
"""Current that counts as charging in the cold, far above any sensor offset. [C] Practice, no source."""
SUSTAINED_MIN = 5
"""Shorter pushes are noise of the record or of the pack's own switching. [min] Practice, no source."""
JUST_BELOW_K = 0.09
"""One step of a sensor below the floor. [K]"""
CLEARLY_BELOW_K = 1.0
"""Below the floor by more than sensors and delays can feign. [K] Practice, no source."""
REFUSING_MARGIN_K = 6.0
"""Charge refused with the coldest cell within this above the floor is refused for the cold. [K]"""
DECAY_BIN = 30


@dataclass(frozen=True, slots=True)
class ColdDay:
    """The cold in one day.

    Attributes
    ----------
    ambient_mean, ambient_min : float
        NaN without a source. [°C]
    ambient_source : {"pack", "witness", "sensor", ""}
        "sensor" is the coldest sensor as a stand-in.
    ambient_h, seen_h : float
        Hours with an ambient value, and with a cell temperature. [h]
    cell_mean, cell_min : float
        Median cell sensor's mean and the coldest believable cell sensor. [°C]
    below_0_h, below_5_h : tuple of float
        Hours of each cell sensor below 0 and 5 °C. [h]
    pushed_ah, pushed_clear_ah : tuple of float
        Charge pushed, by sustained charging, while each cell sensor read below the pack's charging
        floor (a reading on it may be either), and 1 K or more below it. [Ah]
    pushed_clear_min : tuple of float
        Minutes of the latter. [min]
    refused_h, refused_cold_h : float
        Hours in which the pack did not allow charging, in all and near the floor; NaN if the pack
        does not tell. [h]
    decay : tuple of float
        (n, Σx, Σy, Σxx, Σxy, Σyy) over half hours without heater or much current: x the excess over
        ambient [K], y the warming [K/h]. Empty without a true ambient.
    """

    ambient_mean: float
    ambient_min: float
    ambient_source: str
    ambient_h: float
    seen_h: float
    cell_mean: float
    cell_min: float
    below_0_h: tuple[float, ...]
    below_5_h: tuple[float, ...]
    pushed_ah: tuple[float, ...]
    pushed_clear_ah: tuple[float, ...]
    pushed_clear_min: tuple[float, ...]
    refused_h: float
    refused_cold_h: float
    decay: tuple[float, ...]


def _sustained(on: Bool, least: int) -> Bool:
    """Keep stretches of at least `least` minutes."""
    change = np.diff(np.concatenate(([0], on.astype(np.int8), [0])))
    out = np.zeros_like(on)
    starts, ends = np.flatnonzero(change == 1), np.flatnonzero(change == -1)
    for a, b in zip(starts.tolist(), ends.tolist(), strict=True):
        if b - a >= least:
            out[a:b] = True
    return out


def _pushed(minutes: Minutes, cells: F64, limit_c: float, rated_ah: float) -> tuple[list[float], list[float]]:
    """Charge [Ah] and minutes of sustained charging with each sensor at or below the limit."""
    charge_ah, spent = [], []
    hours = minutes.covered_s / 3600
    with np.errstate(invalid="ignore"):
        charging = minutes.current_a > MEANINGFUL_C * rated_ah
        for row in cells:
            inside = _sustained(charging & (row <= limit_c), SUSTAINED_MIN)
            charge_ah.append(round(float(np.sum(minutes.current_a[inside] * hours[inside])), 3))
            spent.append(float(inside.sum()))
    return charge_ah, spent


def _refusing(day: CleanDay, minutes: Minutes) -> Bool | None:
    """Minutes in which the pack did not allow charging; None if it does not tell."""
    allowed = day.frame.channel("charge_enabled")
    if allowed is None or not np.isfinite(allowed).any():
        limit = day.frame.channel("charge_limit_a")
        if limit is None or not np.isfinite(limit).any():
            return None
        allowed = np.where(np.isfinite(limit), limit > 0.002 * day.facts.rated_ah, np.nan)
    first_known = np.flatnonzero(np.isfinite(allowed))[0]
    closed = ~held_flag(np.where(np.arange(allowed.size) < first_known, allowed[first_known], allowed))
    running = np.concatenate(([0], np.cumsum(closed)))
    count = running[minutes.last] - running[minutes.first]
    width = minutes.last - minutes.first
    mostly: Bool = (width > 0) & (count > 0.5 * width)
    return mostly


def _decay(minutes: Minutes, middle: F64, duty: F64, rated_ah: float) -> tuple[float, ...]:
    if minutes.ambient_source not in {"pack", "witness"}:
        return ()
    busy = (duty > 0) | (np.abs(smooth(minutes.current_a, 30)) > 0.06 * rated_ah)
    recent = np.concatenate((np.zeros(61), np.cumsum(busy)))[: busy.size + 61]
    even = smooth(middle, 11)
    air = smooth(minutes.ambient_c, 31)
    rows = []
    for a in range(60, middle.size - DECAY_BIN, DECAY_BIN):
        if recent[a + DECAY_BIN + 60] - recent[a] > 0:
            continue
        x = float(np.mean(even[a : a + DECAY_BIN] - air[a : a + DECAY_BIN]))
        y = float(even[a + DECAY_BIN] - even[a]) * 60 / DECAY_BIN
        if math.isfinite(x) and math.isfinite(y) and abs(y) < 10:
            rows.append((x, y))
    if not rows:
        return ()
    x_, y_ = np.array(rows).T
    sums = (x_.size, x_.sum(), y_.sum(), (x_ * x_).sum(), (x_ * y_).sum(), (y_ * y_).sum())
    return tuple(round(float(s), 5) for s in sums)


def observe_cold(day: CleanDay, minutes: Minutes, duty: F64) -> ColdDay:
    """Observe the cold in one day.

    Parameters
    ----------
    day : CleanDay
    minutes : Minutes
    duty : array, shape (m,)
        Part of each minute with the heater on. [1]

    Returns
    -------
    ColdDay
        NaN where there is no sensor.
    """
    cells = np.where(believable(minutes.cell_temps_c), minutes.cell_temps_c, np.nan)
    middle = row_median(cells)
    facts = day.facts
    seen = np.isfinite(middle)
    air = minutes.ambient_c[np.isfinite(minutes.ambient_c)]
    with np.errstate(invalid="ignore"):
        below_0 = tuple(float(np.sum(row < 0)) / 60 for row in cells)
        below_5 = tuple(float(np.sum(row < 5)) / 60 for row in cells)
        coldest = np.where(np.isfinite(cells), cells, np.inf).min(axis=0, initial=np.inf)
    pushed, _ = _pushed(minutes, cells, facts.charge_floor_c - JUST_BELOW_K, facts.rated_ah)
    clear, spent = _pushed(minutes, cells, facts.charge_floor_c - CLEARLY_BELOW_K, facts.rated_ah)
    refusing = _refusing(day, minutes)
    refused = refused_cold = math.nan
    if refusing is not None:
        refused = float(refusing.sum()) / 60
        refused_cold = float(np.sum(refusing & (coldest <= facts.charge_floor_c + REFUSING_MARGIN_K))) / 60
    return ColdDay(
        ambient_mean=float(air.mean()) if air.size else math.nan,
        ambient_min=float(air.min()) if air.size else math.nan,
        ambient_source=minutes.ambient_source,
        ambient_h=air.size / 60,
        seen_h=float(seen.sum()) / 60,
        cell_mean=float(middle[seen].mean()) if seen.any() else math.nan,
        cell_min=float(coldest[seen].min()) if seen.any() else math.nan,
        below_0_h=below_0,
        below_5_h=below_5,
        pushed_ah=tuple(pushed),
        pushed_clear_ah=tuple(clear),
        pushed_clear_min=tuple(spent),
        refused_h=refused,
        refused_cold_h=refused_cold,
        decay=_decay(minutes, middle, duty, facts.rated_ah),
    )
