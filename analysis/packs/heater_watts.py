"""The heater's power from the currents at its switchings, of this pack and of those in parallel with it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.daily.common_step import common_step
from analysis.daily.trace import step_at, unpack
from analysis.daily.warming import HEAT_WH_PER_K
from analysis.digest import DayDigest
from analysis.estimate import Estimate, around, unknown
from analysis.frame import F64
from analysis.history import History
from analysis.once import once
from analysis.packs.step_power import LEAST_STEPS, agreed_power
from analysis.packs.thermostat import counts, heating

Boundary = Literal["inside", "outside", "unknown"]

RECENT_DAYS = 90
"""Days with switchings that are looked at, the latest."""
LEAST_JUMPS = 4
"""Clear warmings below which they give no power."""
COARSEST_S = 45.0
"""Readings farther apart may show the house's load at a switching, not the heater's. [s] Practice."""
ALIKE = 0.2
"""They are believed if the switchings of a day differ by no more than this from each other, in the median.
[1] Practice, no source."""
NOISE_W = 15.0
"""A median step below this is no heater. [W] Practice, no source."""
RATED_TOLERANCE = 0.10
"""Half width of the interval of a rated power. [1] Practice, no source."""
HEAT_TOLERANCE = 0.25
"""The same for a power from the cells' warming: their heat capacity is only known to 15 %. [1]"""
HEAT_U, RATED_U = 0.15, 0.06
"""Standard uncertainties of a power by warmth and of a rated one, where they only help to tell which steps
are the heater's. [1] Practice, no source."""


@dataclass(frozen=True, slots=True)
class Watts:
    """Power of a heater.

    Attributes
    ----------
    power : Estimate
        [W]
    boundary : {"inside", "outside", "unknown"}
        Whether its current passes the pack's current sensor: as declared, else as the steps tell.
    steps : Estimate
        The step in current that its switchings agree on, whatever the boundary. [W]
    """

    power: Estimate
    boundary: Boundary
    steps: Estimate


@dataclass(frozen=True, slots=True)
class _Step:
    day: str
    watts: float
    zero: bool
    alone: bool


def _beside(own: DayDigest, others: Sequence[DayDigest], at_s: float, within_s: float) -> tuple[int, int]:
    """How many other heaters switched at the same time, the same way and the other way."""
    same = opposite = 0
    for other in others:
        shift = own.start_s - other.start_s
        near = [t for t in other.heater.steps_s if abs(abs(t) - shift - abs(at_s)) <= within_s]
        same += any(t * at_s >= 0 for t in near)
        opposite += any(t * at_s < 0 for t in near)
    return same, opposite


def _together(own: DayDigest, others: Sequence[DayDigest], at_s: float) -> int | None:
    """How many other heaters switched in the same step of the traces; None where it cannot be told."""
    width = max([d.trace.bin_s for d in (own, *others)])
    same, opposite = _beside(own, others, at_s, 0.6 * width)
    near = sum(_beside(own, others, at_s, 3.6 * width))
    return None if opposite or near > same else same


def _day_steps(own: DayDigest, others: Sequence[DayDigest]) -> list[_Step]:
    """Power of each switching of a day, with what the parallel packs took over.

    Heaters that switch together are taken as equal.
    """
    heater = own.heater
    steps = zip(heater.steps_w, heater.steps_zero, heater.steps_s, strict=True)
    if not others:
        return [_Step(own.day, watts, zero, alone=True) for watts, zero, _ in steps]
    traces = [(d, unpack(d.trace)) for d in (own, *others) if d.trace.bin_s > 0]
    out = []
    for watts, zero, at in steps:
        same = _together(own, others, at)
        if same is None:
            continue
        rises = [step_at(means, d.trace, abs(at) + own.start_s - d.start_s) for d, means in traces]
        rises = [r for r in rises if math.isfinite(r)]
        whole = len(rises) == len(others) + 1
        fall = -math.fsum(rises) if at >= 0 else math.fsum(rises)
        power = fall * heater.mean_v / (1 + same) if whole else watts
        if math.isfinite(power):
            out.append(_Step(own.day, power, zero, alone=same == 0))
    return out


@once
def _by_day(history: History) -> dict[str, DayDigest]:
    return {digest.day: digest for digest in history.digests}


@once
def _steps_on(history: History, others: tuple[History, ...], day: str) -> list[_Step]:
    """Power of each switching of a day of a history."""
    beside = [digest for digest in (_by_day(other).get(day) for other in others) if digest is not None]
    return _day_steps(_by_day(history)[day], beside)


def _alike(days: Sequence[DayDigest]) -> bool:
    """Whether the switchings of each day agree with each other: one heater's do, a house's loads do not."""
    rows = [(w, float(np.median(d.heater.steps_w))) for d in days for w in d.heater.steps_w]
    if len(rows) < 2 * LEAST_STEPS:
        return False
    apart = [abs(w - middle) for w, middle in rows]
    return float(np.median(apart)) <= ALIKE * abs(float(np.median([m for _, m in rows])))


def _steps(
    history: History, others: Sequence[History], days: int, *, each_clear: bool = False
) -> list[_Step]:
    """Every switching of the latest days that have any; if each has to be clear, where readings show it.

    Those beside a current of exactly zero are left out when enough others are there: a dead band hides part
    of such a step.
    """
    coarse = not each_clear or _alike([d for d in history.digests if d.period_s > COARSEST_S])
    close = [d for d in history.digests if d.heater.steps_w and (coarse or d.period_s <= COARSEST_S)]
    switched = close[-days:]
    found: list[_Step] = []
    for own in switched:
        found += _steps_on(history, tuple(others), own.day)
    clear = [s for s in found if not s.zero]
    return clear if len(clear) >= max(2 * LEAST_STEPS, len(found) // 4) else found


def switch_steps(history: History, others: Sequence[History] = ()) -> F64:
    """Collect the power of the switchings of a history.

    Parameters
    ----------
    history : History
    others : sequence of History
        Packs in parallel with it.

    Returns
    -------
    array, shape (k,)
        Those of one heater alone, if there are enough. [W]
    """
    steps = _steps(history, others, RECENT_DAYS)
    alone = [s for s in steps if s.alone]
    chosen = alone if len(alone) >= max(2 * LEAST_STEPS, len(steps) // 4) else steps
    return np.array([s.watts for s in chosen])


@once
def dated_steps(history: History, others: Sequence[History] = ()) -> tuple[tuple[str, ...], F64]:
    """Collect the switchings of up to 200 days with their local dates: (days, powers [W])."""
    steps = _steps(history, others, 200, each_clear=True)
    return tuple(s.day for s in steps), np.array([s.watts for s in steps])


def _boundary(declared: Boundary, steps: Estimate) -> Boundary:
    if declared != "unknown":
        return declared
    if steps.value is None or steps.low is None or steps.high is None:
        return "unknown"
    if steps.low > NOISE_W:
        return "inside"
    if steps.high < NOISE_W or (abs(steps.value) < NOISE_W and steps.n >= 2 * LEAST_STEPS):
        return "outside"
    return "unknown"


@once
def heater_boundary(history: History) -> Boundary:
    """Whether the heater's current passes the pack's current sensor: declared, else by its own steps."""
    declared: Boundary = history.facts.heater_measured
    if declared != "unknown":
        return declared
    how = heating(history)
    if not how.seen:
        return "unknown"
    return _boundary(declared, agreed_power(switch_steps(history)) if how.told else common_step(history))


def _from_warming(history: History) -> Estimate:
    """Power from the jump in warming at switching on, and the heat capacity of the cells. [W]"""
    facts, how = history.facts, heating(history)
    jumps = [
        run.slope_on - run.slope_before
        for d in history.digests
        for run in d.heater.runs
        if math.isfinite(run.slope_on) and math.isfinite(run.slope_before) and counts(run, how, facts)
    ]
    if len(jumps) < LEAST_JUMPS:
        return unknown("W", "no step in current, no rated power and too few clear warmings", n=len(jumps))
    capacity = HEAT_WH_PER_K * facts.rated_ah / 280.0 * facts.n_cells / 16.0
    watts = float(np.median(jumps)) * capacity
    return around(
        watts,
        HEAT_TOLERANCE * abs(watts),
        "W",
        basis=f"warming of the cells in {len(jumps)} heatings, heat capacity {capacity:.0f} Wh/K assumed",
        n=len(jumps),
    )


def _untold(history: History, others: Sequence[History]) -> Estimate:
    """Common step of the warmings, held against what their warmth needs. [W]"""
    step, warmth = common_step(history, others), _from_warming(history)
    if step.value is None or step.low is None or step.high is None or warmth.value is None:
        return step
    ratio = step.value / max(warmth.value, 1.0)
    n = 1 + len(others)
    if others and ratio > 1.5 and _mostly_together(history, others):
        step = Estimate(
            step.value / n, "W", step.low / n, step.high / n, f"{step.basis}, {n} heaters at once", step.n
        )
        ratio /= n
    if not 0.5 < ratio < 2.0:
        return unknown("W", f"a step of {step.value:.0f} W does not fit the warming of the cells", n=step.n)
    return step


def _mostly_together(history: History, others: Sequence[History]) -> bool:
    by_day = [{d.day: d for d in other.digests} for other in others]
    edges = [
        _beside(own, [days[own.day] for days in by_day if own.day in days], at, 900.0)[0] == len(others)
        for own in history.digests
        for at in own.heater.steps_s
    ]
    return bool(edges) and sum(edges) >= 0.6 * len(edges)


def _expected(warmth_w: float, rated_w: float | None) -> tuple[float, float]:
    """Power to expect at the switchings, by warmth and by the label if it fits, and its uncertainty. [W]"""
    u = HEAT_U * warmth_w
    if rated_w is None or abs(rated_w - warmth_w) > 2.5 * u:
        return warmth_w, u
    label = RATED_U * rated_w
    weight = u**2 / (u**2 + label**2)
    return weight * rated_w + (1 - weight) * warmth_w, u * label / math.hypot(u, label)


@once
def heater_watts(history: History, others: Sequence[History] = ()) -> Watts:
    """Say what power the heater takes.

    Parameters
    ----------
    history : History
    others : sequence of History
        Packs in parallel: part of a heater's current comes from them.

    Returns
    -------
    Watts
        From the steps in current if the heater lies inside the sensor; else the rated power from the
        configuration; else from the warming of the cells, with a wide interval.
    """
    facts, how = history.facts, heating(history)
    if not how.seen:
        return Watts(unknown("W", how.reason), facts.heater_measured, unknown("W", how.reason))
    switched = switch_steps(history, others) if how.told else np.empty(0)
    steps = agreed_power(switched) if how.told else _untold(history, others)
    boundary = _boundary(facts.heater_measured, steps)
    warmth = _from_warming(history)
    if how.told and boundary == "inside" and warmth.value is not None and warmth.value > NOISE_W:
        power = agreed_power(switched, _expected(warmth.value, facts.heater_w))
        return Watts(power if power.value is not None else warmth, boundary, steps)
    if boundary == "inside" and steps.value is not None and steps.value > NOISE_W:
        return Watts(steps, boundary, steps)
    if facts.heater_w is not None:
        half = RATED_TOLERANCE * facts.heater_w
        basis = "rated power from the configuration, ±10 % assumed"
        return Watts(around(facts.heater_w, half, "W", basis=basis), boundary, steps)
    return Watts(warmth, boundary, steps)
