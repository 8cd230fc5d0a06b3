"""Is the heater well? Runs without effect, power that dropped, heating when warm, no heating when cold."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.daily.heater import HeaterRun
from analysis.digest import DayDigest
from analysis.frame import F64
from analysis.history import History
from analysis.once import once
from analysis.packs.heater_watts import dated_steps
from analysis.packs.thermostat import counts, heated_s, heating
from analysis.stats.change import level_shift

LEAST_RUN_H = 0.6
"""A run shorter than this has not had time to show an effect at the sensors. [h]"""
LONG_RUN_H, COLD_C = 4.0, 8.0
"""A run this long that leaves the cells this cold tells by itself. [h], [°C] Practice, no source."""
USUAL_TAU_H = 9.0
"""Time constant of a pack, where it is only needed roughly. [h] 25 Wh/K over 3 W/K, practice."""
LEAST_BEFORE_W, LEAST_BEFORE_K_H = 30.0, 1.5
"""A heater of less cannot be seen to fail in part. [W], [K/h] Practice, no source."""
NEXT_TO_NONE = 0.2
"""A run that warms by less than this part of what such runs did has no effect either. [1] Practice."""
STILL_K_H = 0.1
"""A heater without effect that certainly warms by more than this may draw what it drew. [K/h] Practice."""
WARM_C = 18.0
"""Cells at which no heater has work to do. [°C] Practice, no source."""
COLDER_K = 4.0
"""Cells this far below where heating used to start should have been heated. [K] Practice, no source."""
LEAST_STARTS, LEAST_COLD_DAYS = 6, 3
"""Starts that tell where heating used to begin, and cold days without it. [1] Practice, no source."""


@dataclass(frozen=True, slots=True)
class HeaterTrouble:
    """What is wrong with a heater.

    Attributes
    ----------
    what : {"no effect", "weak", "on when warm", "not heating", "never heating"}
    since, last : str
        Local dates.
    hours : float
        Hours on without effect, or on when warm; hours of record for the others. [h]
    runs : int
        Runs (days, for "not heating" and "never heating") that show it.
    value, low, high : float
        Warming [K/h]; part of the power lost [1]; cell temperature [°C].
    usual : float
        What the same number was when the heater was well [W or K/h]; NaN if never seen.
    by : {"current", "warming"}
        What "weak" is told by: the step in current, or the warming of the cells.
    """

    what: Literal["no effect", "weak", "on when warm", "not heating", "never heating"]
    since: str
    last: str
    hours: float
    runs: int
    value: float
    low: float
    high: float
    usual: float
    by: Literal["current", "warming"] = "current"


def lost_warmth(trouble: HeaterTrouble) -> bool:
    """Whether only warmth tells that a heater is weak: it may draw what it drew and not reach the cells."""
    return trouble.what == "weak" and trouble.by == "warming"


def may_draw_on(trouble: HeaterTrouble) -> bool:
    """Whether a heater with this trouble may draw what it drew, where no sensor sees its current.

    What draws and came off the cells still warms their surroundings; what warms nothing is dead.
    """
    return (trouble.what == "no effect" and trouble.low > STILL_K_H) or lost_warmth(trouble)


def effect(run: HeaterRun) -> float:
    """Warming that the heater adds, NaN if the run cannot tell. [K/h]

    The slope while on, less the slope before; or, for a run that began before the record of it, the slope
    plus what the cells lose to a known ambient meanwhile; or, without one, the mean warming of a run of hours
    in cells that stay cold: a heater that works does not find its balance there.
    """
    if not math.isfinite(run.slope_on) or run.end_s - run.start_s < LEAST_RUN_H * 3600:
        return math.nan
    if math.isfinite(run.slope_before):
        return run.slope_on - run.slope_before
    if math.isfinite(run.above_ambient):
        return run.slope_on + run.above_ambient / USUAL_TAU_H
    hours = (run.end_s - run.start_s) / 3600
    if hours >= LONG_RUN_H and run.end_c < COLD_C:
        return (run.end_c - run.start_c) / hours
    return math.nan


def _judged(history: History) -> list[tuple[DayDigest, HeaterRun, float]]:
    rows = [
        (d, run, effect(run))
        for d in history.digests
        if d.heater.method in {"flag", "watts"}
        for run in d.heater.runs
    ]
    return [row for row in rows if math.isfinite(row[2])]


def _no_effect(history: History, least_k_h: float, least_h: float) -> HeaterTrouble | None:
    rows = _judged(history)
    worked = [v for _, _, v in rows if v >= LEAST_BEFORE_K_H]
    if len(worked) >= LEAST_STARTS:
        least_k_h = max(least_k_h, NEXT_TO_NONE * float(np.median(worked)))
    idle = [row for row in rows if row[2] < least_k_h]
    if not idle:
        return None
    after = [row for row in rows if row[1].start_s > idle[-1][1].start_s]
    if len(after) >= 3:
        return None  # it has worked again since
    tail: list[tuple[DayDigest, HeaterRun, float]] = []
    for row in reversed(rows[: len(rows) - len(after)]):
        if tail and row[2] >= 2 * least_k_h:
            break
        tail.append(row)
    tail = [row for row in tail if row[2] < least_k_h]
    hours = sum(r.end_s - r.start_s for _, r, _ in tail) / 3600
    if hours < least_h or (len(tail) < 2 and hours < 2 * least_h):
        return None
    values = np.array([v for _, _, v in tail])
    well = [v for _, _, v in rows if v >= least_k_h]
    half = 1.96 * max(float(np.std(values)), 0.15) / math.sqrt(values.size)
    middle = float(np.median(values))
    return HeaterTrouble(
        "no effect",
        tail[-1][0].day,
        tail[0][0].day,
        hours,
        len(tail),
        middle,
        middle - half,
        middle + half,
        float(np.median(well)) if well else math.nan,
    )


def _weak(history: History, others: Sequence[History], least: float) -> HeaterTrouble | None:
    """Part of the power gone: switchings after the best dividing line against those before."""
    told = sum(d.heater.method in {"flag", "watts"} for d in history.digests if d.heater.steps_w)
    days, watts = dated_steps(history, others) if told >= 3 else ((), np.empty(0))
    n = watts.size
    if n < 24:
        return None
    cut = level_shift(watts, before=12, after=8)
    before, after = float(np.median(watts[:cut])), float(np.median(watts[cut:]))
    if before <= LEAST_BEFORE_W:
        return None
    halves = [1.96 * _median_u(part) / before for part in (watts[:cut], watts[cut:])]
    lost, half = 1 - after / before, math.hypot(*halves)
    if lost - half < least:
        return None
    hours = sum(d.heater.on_s for d in history.digests if d.day >= days[cut]) / 3600
    return HeaterTrouble("weak", days[cut], days[-1], hours, n - cut, lost, lost - half, lost + half, before)


def _weak_by_warmth(history: History, least: float) -> HeaterTrouble | None:
    """Part of the power gone, by how fast the cells warm more than before each switching on."""
    how = heating(history)
    if not how.seen:
        return None
    rows = [
        (d.day, effect(run))
        for d in history.digests
        for run in d.heater.runs
        if math.isfinite(run.slope_before) and counts(run, how, history.facts)
    ]
    rows = [(day, rate) for day, rate in rows if math.isfinite(rate)]
    n, rate = len(rows), np.array([rate for _, rate in rows])
    if n < 24:
        return None
    cut = level_shift(rate, before=12, after=8)
    before, after = float(np.median(rate[:cut])), float(np.median(rate[cut:]))
    if before < LEAST_BEFORE_K_H:
        return None
    halves = [1.96 * _median_u(part) / before for part in (rate[:cut], rate[cut:])]
    lost, half = 1 - after / before, math.hypot(*halves)
    if lost - half < least:
        return None
    hours = sum(d.heater.on_s for d in history.digests if d.day >= rows[cut][0]) / 3600
    ends = rows[cut][0], rows[-1][0]
    return HeaterTrouble("weak", *ends, hours, n - cut, lost, lost - half, lost + half, before, "warming")


def _median_u(values: F64) -> float:
    """Standard uncertainty of a median."""
    spread = 1.4826 * float(np.median(np.abs(values - np.median(values))))
    return 1.2533 * spread / math.sqrt(values.size)


def _when_warm(history: History) -> HeaterTrouble | None:
    rows = [
        (d.day, r)
        for d in history.digests
        if d.heater.method in {"flag", "watts"}
        for r in d.heater.runs
        if min(r.start_c, r.end_c) > WARM_C and r.end_s - r.start_s >= 3600
    ]
    days = sorted({day for day, _ in rows})
    if len(days) < 2:
        return None
    temps = [r.end_c for _, r in rows]
    hours = sum(r.end_s - r.start_s for _, r in rows) / 3600
    return HeaterTrouble(
        "on when warm",
        days[0],
        days[-1],
        hours,
        len(rows),
        float(np.median(temps)),
        min(temps),
        max(temps),
        math.nan,
    )


def _not_heating(history: History) -> HeaterTrouble | None:
    """Cells far colder than where heating used to begin, day after day, and no heating."""
    how = heating(history)
    if not how.seen:
        return None
    starts = [
        r.start_c
        for d in history.digests
        for r in d.heater.runs
        if not r.open_start and math.isfinite(r.start_c) and counts(r, how, history.facts)
    ]
    if len(starts) < LEAST_STARTS:
        return None
    usual = float(np.median(starts))
    spent = [heated_s(d, how, history.facts) for d in history.digests]
    well = [d.day for d, on_s in zip(history.digests, spent, strict=True) if on_s > 1800]
    idle = [d for d, on_s in zip(history.digests, spent, strict=True) if on_s < 600]
    cold = _far_below([d for d in idle if not well or d.day > well[-1]], min(usual, 5.0))
    return _unheated("not heating", cold, usual)


def _never_heating(history: History) -> HeaterTrouble | None:
    """Cells far below the charging floor, day after day, and a heater that the user stated never on."""
    how, facts = heating(history), history.facts
    if facts.heater_w is None or any(heated_s(d, how, facts) > 0 for d in history.digests):
        return None
    return _unheated("never heating", _far_below(history.digests, facts.charge_floor_c), facts.charge_floor_c)


def _far_below(digests: Sequence[DayDigest], start_c: float) -> list[DayDigest]:
    return [d for d in digests if d.coverage.fraction > 0.8 and d.cold.cell_min < start_c - COLDER_K]


def _unheated(
    what: Literal["not heating", "never heating"], cold: list[DayDigest], usual: float
) -> HeaterTrouble | None:
    if len(cold) < LEAST_COLD_DAYS:
        return None
    lows = [d.cold.cell_min for d in cold]
    return HeaterTrouble(
        what, cold[0].day, cold[-1].day, 24.0 * len(cold), len(cold), min(lows), min(lows), max(lows), usual
    )


@once
def heater_trouble(
    history: History,
    others: Sequence[History] = (),
    *,
    least_k_h: float = 0.6,
    least_h: float = 2.0,
    least_drop: float = 0.3,
) -> HeaterTrouble | None:
    """Find what is wrong with a pack's heater, the gravest first.

    Parameters
    ----------
    history : History
    others : sequence of History
        Packs in parallel, which take over part of a heater's current.
    least_k_h : float
        Warming below which a run has no effect. [K/h]
    least_h : float
        Hours on without effect from which that counts. [h]
    least_drop : float
        Part of its power a heater must have lost. [1]

    Returns
    -------
    HeaterTrouble or None
    """
    return (
        _no_effect(history, least_k_h, least_h)
        or _weak(history, others, least_drop)
        or _weak_by_warmth(history, least_drop)
        or _when_warm(history)
        or _not_heating(history)
        or _never_heating(history)
    )
