"""The heater's day: on-time, cycles, watts from the step in current, and whether the cells got warmer."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.daily import warming
from analysis.daily.minutes import Minutes, believable, row_median
from analysis.day import CleanDay
from analysis.frame import F64, Bool, Int

Method = Literal["watts", "flag", "current", "warming", "none"]

HOLD_ACROSS_GAP_S = 1800.0
"""A gap no longer than this with the heater on at both ends counts as on. [s]"""
STEPS_KEPT, RUNS_KEPT = 40, 24
SLOPE_MINUTES = 30
"""Span over which warming before and during a run is measured. [min]"""
LAG_MINUTES = 8
"""Time for heat to reach the sensors. [min] Practice, no source."""


@dataclass(frozen=True, slots=True)
class HeaterRun:
    """One time the heater was on.

    Attributes
    ----------
    start_s, end_s : float
        UTC epoch seconds. [s]
    open_start, open_end : bool
        Cut by midnight or a gap.
    slope_before, slope_on : float
        Warming of the median cell sensor before, and while on after the heat has arrived; NaN when too
        short to tell. [K/h]
    start_c, end_c : float
        Median cell sensor at the ends. [°C]
    above_ambient : float
        Mean excess of that sensor over ambient; NaN without ambient. [K]
    rms_a : float
        Root mean square of the pack's current meanwhile: what can have warmed the cells too; NaN if
        unknown. [A]
    """

    start_s: float
    end_s: float
    open_start: bool
    open_end: bool
    slope_before: float
    slope_on: float
    start_c: float
    end_c: float
    above_ambient: float
    rms_a: float = math.nan


@dataclass(frozen=True, slots=True)
class HeaterDay:
    """The heater in a day.

    Attributes
    ----------
    method : {"watts", "flag", "current", "warming", "none"}
        From the heater's own power channel; the heater bit; steps in the current that agree with
        warming; warming alone; or no temperature to judge by.
    on_s, known_s : float
        Time on, and time for which it is known whether it was on. [s]
    cycles : int
        Times it was switched on.
    energy_wh : float
        From the power channel; NaN otherwise. [Wh]
    steps_w : tuple of float
        Power from the step in pack current at each switching, positive when the heater takes it. [W]
    steps_zero : tuple of bool
        Whether the current on one side of that step read exactly zero (a dead band may hide part).
    steps_s : tuple of float
        When, negative where it was switched off: plus or minus seconds since the day's start. [s]
    runs : tuple of HeaterRun
        The longest of them, in order.
    mean_v : float
        Pack voltage while on; NaN if never. [V]
    """

    method: Method
    on_s: float
    known_s: float
    cycles: int
    energy_wh: float
    steps_w: tuple[float, ...]
    steps_zero: tuple[bool, ...]
    steps_s: tuple[float, ...]
    runs: tuple[HeaterRun, ...]
    mean_v: float


def held_flag(values: F64) -> Bool:
    """Return a flag with holes filled by the value before them (off before the first)."""
    known = np.isfinite(values)
    if known.all():
        return values > 0.5
    index = np.maximum.accumulate(np.where(known, np.arange(values.size), -1))
    held = np.where(index >= 0, values[np.maximum(index, 0)], 0.0)
    return held > 0.5


def _debounced(on: Bool) -> Bool:
    """Drop single samples that differ from both neighbours."""
    if on.size < 3:
        return on
    count = on.astype(np.int8)
    out = on.copy()
    out[1:-1] = (count[:-2] + count[1:-1] + count[2:]) >= 2
    return out


def on_samples(day: CleanDay) -> Bool | None:
    """Return the samples at which the heater was on, shape (n,), or None if the pack does not tell."""
    watts = day.frame.channel("heater_w")
    if watts is not None and np.isfinite(watts).any():
        return held_flag(np.where(np.isfinite(watts), watts > 5, np.nan))
    flag = day.frame.channel("heater_on")
    if flag is None or not np.isfinite(flag).any():
        return None
    on = held_flag(flag)
    return _debounced(on) if day.coverage.period_s <= 10 else on


def _held_seconds(day: CleanDay, on: Bool) -> tuple[F64, F64]:
    """Seconds before each sample with the heater on, and with its state known; short gaps bridged."""
    time_s = day.frame.time_s
    held, known = np.zeros(time_s.size), np.zeros(time_s.size)
    if time_s.size < 2:
        return held, known
    step = np.diff(time_s)
    across = day.gap[1:]
    bridged = across & (on[1:] == on[:-1]) & (step <= HOLD_ACROSS_GAP_S)
    known[1:] = np.where(~across | bridged, step, 0.0)
    held[1:] = np.where(on[:-1], known[1:], 0.0)
    for seconds in (held, known):
        seconds[: max(day.frame.lead, 1)] = 0.0
    return held, known


@dataclass(frozen=True, slots=True)
class _Switching:
    watts: float
    zero: bool
    at_s: float


def _switching(day: CleanDay, k: int, turned_on: bool) -> _Switching | None:
    """Power from the current on both sides of one switching."""
    time_s, current = day.frame.time_s, day.frame.pack_a
    period = max(day.coverage.period_s, 0.2)
    width = max(1, round(6 / period))
    skip = max(1, math.ceil(3 / period)) if period < 5 else 1
    guard = skip if period < 2 else 0
    before = slice(max(k - width - guard, 0), max(k - guard, 1))
    after = slice(k + skip, k + skip + width)
    a, b = current[before], current[after]
    a, b = a[np.isfinite(a)], b[np.isfinite(b)]
    volt = float(day.frame.pack_v[k])
    if a.size == 0 or b.size == 0 or not math.isfinite(volt):
        return None
    if time_s[after][-1] - time_s[before][0] > 4 * (width + skip) * period + 5:
        return None
    fall = float(np.median(a)) - float(np.median(b))
    since = round(float(time_s[k]) - day.frame.start_s, 1)
    zero = bool(np.all(a == 0) or np.all(b == 0))
    return _Switching(round((fall if turned_on else -fall) * volt, 1), zero, since if turned_on else -since)


def _steps(day: CleanDay, on: Bool) -> list[_Switching]:
    """Every switching of the day, evenly thinned to `STEPS_KEPT`."""
    change = np.flatnonzero(on[1:] != on[:-1]) + 1
    change = change[(change > day.frame.lead) & ~day.gap[change]]
    change = change[:: change.size // STEPS_KEPT + 1]
    found = (_switching(day, k, bool(on[k])) for k in change.tolist())
    return [step for step in found if step is not None]


def _edges(on: Bool) -> tuple[Int, Int]:
    padded = np.concatenate(([False], on, [False])).astype(np.int8)
    change = np.diff(padded)
    return np.flatnonzero(change == 1), np.flatnonzero(change == -1)


def _line_slope(time_s: F64, values: F64) -> float:
    """Least-squares slope per hour; NaN below eight values. [1/h]"""
    good = np.isfinite(values)
    if int(good.sum()) < 8:
        return math.nan
    t = time_s[good] / 3600
    t = t - t.mean()
    return round(float(np.dot(t, values[good]) / np.dot(t, t)), 3)


def heater_runs(minutes: Minutes, duty: F64) -> tuple[HeaterRun, ...]:
    """Describe each time the heater was on, from the minute grid.

    Parameters
    ----------
    minutes : Minutes
    duty : array, shape (m,)
        Part of each minute with the heater on. [1]

    Returns
    -------
    tuple of HeaterRun
        At most `RUNS_KEPT`, the longest, in order.
    """
    cells = np.where(believable(minutes.cell_temps_c), minutes.cell_temps_c, np.nan)
    middle = row_median(cells)
    on = duty > 0.5
    starts, ends = _edges(on)
    order = np.argsort(starts - ends, kind="stable")[:RUNS_KEPT]
    known = minutes.last > minutes.first
    out = []
    for r in np.sort(order).tolist():
        a, b = int(starts[r]), int(ends[r])
        before = slice(max(a - SLOPE_MINUTES, 0), a)
        quiet_before = not bool(on[before].any())
        warm = slice(min(a + LAG_MINUTES, b), min(b, a + LAG_MINUTES + 4 * SLOPE_MINUTES))
        excess = middle[a:b] - minutes.ambient_c[a:b]
        excess = excess[np.isfinite(excess)]
        amps = minutes.current_a[a:b]
        amps = amps[np.isfinite(amps)]
        real_ambient = minutes.ambient_source in {"pack", "witness"}
        out.append(
            HeaterRun(
                start_s=float(minutes.time_s[a]),
                end_s=float(minutes.time_s[b - 1] + 60),
                open_start=a == 0 or not bool(known[a - 1]),
                open_end=b == on.size or not bool(known[min(b, on.size - 1)]),
                slope_before=_line_slope(minutes.time_s[before], middle[before])
                if quiet_before
                else math.nan,
                slope_on=_line_slope(minutes.time_s[warm], middle[warm]),
                start_c=round(float(middle[a]), 2),
                end_c=round(float(middle[b - 1]), 2),
                above_ambient=round(float(excess.mean()), 2) if excess.size and real_ambient else math.nan,
                rms_a=round(math.sqrt(float(np.mean(amps**2))), 2) if amps.size else math.nan,
            )
        )
    return tuple(out)


def heater_duty(day: CleanDay, minutes: Minutes) -> tuple[Method, F64]:
    """Say in which part of each minute the heater was on, by the best evidence the pack gives.

    Parameters
    ----------
    day : CleanDay
    minutes : Minutes

    Returns
    -------
    (str, array of shape (m,))
        Method (see `HeaterDay`) and duty. [1]
    """
    on = on_samples(day)
    if on is None:
        return warming.guess(minutes, day.facts.rated_ah)
    watts = day.frame.channel("heater_w")
    method: Method = "watts" if watts is not None and bool(np.isfinite(watts).any()) else "flag"
    held = np.concatenate(([0.0], np.cumsum(_held_seconds(day, on)[0])))
    spent = held[minutes.last] - held[minutes.first]
    return method, np.minimum(spent / 60.0, 1.0)


def observe_heater(day: CleanDay, minutes: Minutes, method: Method, duty: F64) -> HeaterDay:
    """Observe the heater in one day.

    Parameters
    ----------
    day : CleanDay
    minutes : Minutes
    method, duty
        From `heater_duty`.

    Returns
    -------
    HeaterDay
        All zero where there is nothing to see.
    """
    nan = math.nan
    on_minutes = duty > 0.5
    volts = minutes.voltage_v[on_minutes]
    volts = volts[np.isfinite(volts)]
    mean_v = float(volts.mean()) if volts.size else nan
    runs = heater_runs(minutes, duty)
    on = on_samples(day)
    if on is None:
        watts, at = warming.edge_watts(minutes, on_minutes)
        zero = (False,) * len(watts)
        cycles = len(_edges(on_minutes)[0])
        known_s = 60.0 * float(np.isfinite(minutes.cell_temps_c).any(axis=0).sum())
        return HeaterDay(method, float(duty.sum() * 60), known_s, cycles, nan, watts, zero, at, runs, mean_v)
    seconds, known = _held_seconds(day, on)
    own = on[day.frame.lead :]
    cycles = int(np.sum(own[1:] & ~own[:-1])) + int(own.size > 0 and own[0] and not _was_on(day, on))
    power = day.frame.channel("heater_w")
    energy = _energy(day, power) if method == "watts" and power is not None else nan
    steps = _steps(day, on)
    return HeaterDay(
        method=method,
        on_s=float(seconds.sum()),
        known_s=float(known.sum()),
        cycles=cycles,
        energy_wh=energy,
        steps_w=tuple(s.watts for s in steps),
        steps_zero=tuple(s.zero for s in steps),
        steps_s=tuple(s.at_s for s in steps),
        runs=runs,
        mean_v=mean_v,
    )


def _was_on(day: CleanDay, on: Bool) -> bool:
    """Whether the heater was already on in the lead-in (or nobody knows)."""
    lead = day.frame.lead
    return lead == 0 or bool(on[lead - 1])


def _energy(day: CleanDay, power: F64) -> float:
    """Integral of the heater's own power channel, the value held between samples. [Wh]"""
    time_s = day.frame.time_s
    if time_s.size < 2:
        return 0.0
    value = np.where(np.isfinite(power), power, 0.0)
    step = np.diff(time_s)
    step = np.where(day.gap[1:] & (step > HOLD_ACROSS_GAP_S), 0.0, step)
    start = max(day.frame.lead - 1, 0)
    return float(np.dot(0.5 * (value[:-1] + value[1:])[start:], step[start:])) / 3600
