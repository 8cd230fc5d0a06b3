"""The cold over days: heater duty and energy, its dependence on the weather, charge pushed and refused."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.digest import DayDigest
from analysis.estimate import Estimate, unknown
from analysis.facts import PackFacts
from analysis.frame import F64
from analysis.history import History
from analysis.once import once
from analysis.packs.changepoint import HeatingModel, heating_model
from analysis.packs.heater_draw import CERTAIN, Draw, heater_draw
from analysis.packs.heater_watts import Watts, heater_watts
from analysis.packs.temp_faults import trusted_sensors
from analysis.packs.thermostat import Heating, counts, heated_s, heating

WHOLE_DAY = 0.8
"""Covered part from which a day's heater energy may stand for the whole day. [1] Practice, no source."""
POWER_TOLERANCE = 0.03
"""Half width for the sensor's gain and for steps that the voltage answers. [1] Practice, no source."""
TIME_TOLERANCE = {"watts": 0.01, "flag": 0.02, "current": 0.05, "warming": 0.15}
"""Half width of the interval of on-time by method. [1] Sampling of switchings; measured on simulated days."""
NO_TEMPERATURE = "the pack tells of no heater, and no temperature tells of one"


@dataclass(frozen=True, slots=True)
class ColdPoint:
    """One day of `Cold`.

    Attributes
    ----------
    day : str
    ambient_c, cell_min_c : float
        Mean ambient, and the coldest trusted cell sensor; NaN without. [°C]
    heater_h, heater_wh : float
        On-time and energy of the day, gaps filled at the rate of the rest if half is known; energy NaN if
        unknown. [h], [Wh]
    below_0_h, pushed_ah, refused_h : float
        Coldest trusted sensor below 0 °C [h], charge pushed below the floor [Ah], charging refused in the
        cold [h].
    covered : float
        [1]
    """

    day: str
    ambient_c: float
    cell_min_c: float
    heater_h: float
    heater_wh: float
    below_0_h: float
    pushed_ah: float
    refused_h: float
    covered: float


@dataclass(frozen=True, slots=True)
class Cold:
    """What the cold did to a pack.

    Attributes
    ----------
    days : tuple of ColdPoint
    method : str
        How on-time was found on most days with heating: see `HeaterDay.method`.
    watts : Watts
    on_time : Estimate
        Per day with a record. [h]
    energy, energy_per_day : Estimate
        Of the days with a record, and per day. [Wh]
    cycles : Estimate
        Switchings on. [""]
    model : HeatingModel or None
        Daily energy [Wh] against mean ambient.
    model_reason : str
        Why there is none.
    ambient_source : str
        "pack", "witness", "sensor" (the coldest sensor as a stand-in) or "".
    design_day : Estimate
        Energy forecast for a day at the design temperature. [Wh]
    time_constant : Estimate
        Of the pack towards its surroundings. [h]
    below_0, pushed, refused : Estimate
        Hours of the coldest trusted cell sensor below 0 °C, charge pushed below the floor, hours of
        charging refused in the cold. [h], [Ah], [h]
    """

    days: tuple[ColdPoint, ...]
    method: str
    watts: Watts
    on_time: Estimate
    energy: Estimate
    energy_per_day: Estimate
    cycles: Estimate
    model: HeatingModel | None
    model_reason: str
    ambient_source: str
    design_day: Estimate
    time_constant: Estimate
    below_0: Estimate
    pushed: Estimate
    refused: Estimate


def _most(values: tuple[float, ...], trusted: tuple[int, ...]) -> float:
    return max((values[i] for i in trusted if i < len(values)), default=math.nan)


def _point(
    digest: DayDigest, watts: float | None, trusted: tuple[int, ...], heated: Heating, facts: PackFacts
) -> ColdPoint:
    heater, cold = digest.heater, digest.cold
    length = digest.coverage.length_s
    fill = length / heater.known_s if heater.known_s >= 0.5 * length else 1.0
    hours, energy = heated_s(digest, heated, facts) / 3600 * fill, heater.energy_wh * fill
    if not math.isfinite(energy):
        energy = hours * watts if watts is not None else math.nan
        energy = 0.0 if hours == 0 else energy
    lows = [digest.temps[i].low for i in trusted if i < len(digest.temps)]
    lows = [t for t in lows if math.isfinite(t)]
    return ColdPoint(
        digest.day,
        cold.ambient_mean,
        min(lows, default=math.nan),
        hours,
        energy,
        _most(cold.below_0_h, trusted),
        _most(cold.pushed_ah, trusted),
        cold.refused_cold_h,
        digest.coverage.fraction,
    )


def _sum(values: list[float], unit: str, reason: str, basis: str, coverage: float) -> Estimate:
    known = [v for v in values if math.isfinite(v)]
    if not known:
        return unknown(unit, reason, coverage=coverage)
    total = math.fsum(known)
    return Estimate(total, unit, total, total, basis, len(known), coverage)


def _method(history: History) -> str:
    names = [d.heater.method for d in history.digests if d.heater.on_s > 0]
    names = names or [d.heater.method for d in history.digests if d.heater.method != "none"]
    return max(set(names), key=names.count) if names else "none"


def _scaled(total: float, relative: float, unit: str, basis: str, n: int, coverage: float) -> Estimate:
    half = abs(total) * relative
    return Estimate(total, unit, max(total - half, 0.0), total + half, basis, n, coverage)


def _relative(watts: Watts, method: str) -> float:
    power, time = watts.power, TIME_TOLERANCE.get(method, 0.15)
    if method == "watts" or power.value is None or power.low is None or power.high is None:
        return 0.01 if method == "watts" else time
    return math.hypot((power.high - power.low) / 2 / max(power.value, 1.0), time, POWER_TOLERANCE)


def _time_constant(history: History) -> Estimate:
    """1 / slope of the warming over the excess, pooled over days without heater or current. [h]"""
    rows = [d.cold.decay for d in history.digests if len(d.cold.decay) == 6]
    n, sx, sy, sxx, sxy, syy = (math.fsum(c) for c in zip(*rows, strict=True)) if rows else (0.0,) * 6
    if n < 20:
        reason = "fewer than 20 quiet half hours with a true ambient temperature"
        return unknown("h", reason, n=int(n))
    cxx, cxy, cyy = sxx - sx * sx / n, sxy - sx * sy / n, syy - sy * sy / n
    slope = cxy / cxx if cxx > 0 else 0.0
    noise = max(cyy - slope * cxy, 0.0) / (n - 2)
    se = 2.0 * math.sqrt(noise / cxx) if cxx > 0 else math.inf
    if slope >= 0 or abs(slope) < 2 * se:
        return unknown("h", "cells and ambient never lay far enough apart to see them close up", n=int(n))
    basis = f"{int(n)} half hours without heater or much current"
    return Estimate(-1 / slope, "h", -1 / (slope - 1.96 * se), -1 / (slope + 1.96 * se), basis, int(n))


def _model(days: tuple[ColdPoint, ...], source: str) -> tuple[HeatingModel | None, str]:
    whole = [p for p in days if p.covered >= WHOLE_DAY and math.isfinite(p.heater_wh)]
    warm = [p for p in whole if math.isfinite(p.ambient_c)]
    if sum(p.heater_wh > 0 for p in warm) < 5:
        return None, "fewer than 5 whole days with heating and an ambient temperature"
    ambient: F64 = np.array([p.ambient_c for p in warm])
    energy: F64 = np.array([p.heater_wh for p in warm])
    model = heating_model(ambient, energy)
    if model is None:
        return None, "fewer than 8 whole days, or less than 3 K between the coldest and the warmest"
    if source == "sensor" and not model.cv_rmse < 0.8:
        return (
            None,
            "no ambient sensor, and the coldest pack sensor in its stead does not explain the heating",
        )
    return model, ""


def _design(
    history: History, model: HeatingModel | None, reason: str, days: tuple[ColdPoint, ...]
) -> Estimate:
    if model is None:
        return unknown("Wh", reason)
    target = history.facts.design_cold_c
    coldest = min(p.ambient_c for p in days if math.isfinite(p.ambient_c))
    value = max(model.at(target), 0.0)
    half = model.half_width(target)
    beyond = max(coldest - target, 0.0)
    half += 0.1 * model.slope * beyond
    basis = f"{model.n} days, heating below {model.balance_c:.1f} °C"
    if beyond > 2:
        basis += f"; {beyond:.0f} K colder than any day recorded, the interval is widened for it"
    return Estimate(value, "Wh", max(value - half, 0.0), value + half, basis, model.n)


@once
def cold(history: History, others: Sequence[History] = (), background: History | None = None) -> Cold:
    """Say what the cold did to a pack.

    Parameters
    ----------
    history : History
        The days to speak about.
    others : sequence of History
        The packs in parallel with it: part of a heater's current comes from them.
    background : History, optional
        A longer record of the same pack, whose last days (`LOOK_BACK_DAYS`) tell the heater's power, its
        dependence on the weather and the time constant; by default the days themselves.

    Returns
    -------
    Cold
    """
    base = history if background is None else background.recent
    trusted = trusted_sensors(base)
    watts = heater_watts(base, others)
    draw, heated = heater_draw(base, others), heating(base)
    days = tuple(_point(d, draw.on(d.day), trusted, heated, base.facts) for d in history.digests)
    whole = history.whole()
    coverage = min(whole.covered_s / whole.elapsed_s, 1.0) if whole.elapsed_s > 0 else 0.0
    span = f"{days[0].day} to {days[-1].day}" if days else "no day"
    method = _method(history) if heated.seen else "none"
    basis = f"{span}, on-time by {method}{draw.caveat}"
    spent = _duty(history, days, watts, heated, method, basis, coverage)
    duty = _perhaps_as_before(spent, days, draw, watts.power)
    sources = [d.cold.ambient_source for d in base.digests if d.cold.ambient_source]
    source = max(set(sources), key=sources.count) if sources else ""
    seen = tuple(_point(d, draw.on(d.day), trusted, heated, base.facts) for d in base.digests)
    model, reason = _model(seen, source)
    silent = "the pack does not tell whether it allows charging"
    return Cold(
        days=days,
        method=method,
        watts=watts,
        on_time=duty[0],
        energy=duty[1],
        energy_per_day=duty[2],
        cycles=duty[3],
        model=model,
        model_reason=reason,
        ambient_source=source,
        design_day=_design(history, model, reason, seen),
        time_constant=_time_constant(base),
        below_0=_sum([p.below_0_h for p in days], "h", "no cell temperature", span, coverage),
        pushed=_sum([p.pushed_ah for p in days], "Ah", "no cell temperature", span, coverage),
        refused=_sum([p.refused_h for p in days], "h", silent, span, coverage),
    )


def _in_gaps(history: History, hours: float) -> float:
    """Half width of what a heater's time on is unsure by because of gaps, as part of it. [1]

    A gap falls on heating or not, as a whole as a rule: so many draws as there are gaps.
    """
    missing = math.fsum(max(d.coverage.length_s - d.heater.known_s, 0.0) for d in history.digests) / 3600
    spans = [b - a for d in history.digests for a, b in d.coverage.gaps]
    all_h = math.fsum(d.coverage.length_s for d in history.digests) / 3600
    duty = min(hours / max(all_h, 1e-9), 1.0)
    if not spans or duty <= 0:
        return 0.0
    each_h = math.fsum(spans) / len(spans) / 3600
    return 1.96 * math.sqrt(missing * min(each_h, 4.0) * duty * (1 - duty)) / hours


def _cycles(digest: DayDigest, heated: Heating, facts: PackFacts) -> int:
    if heated.told:
        return digest.heater.cycles
    return sum(counts(r, heated, facts) and not r.open_start for r in digest.heater.runs)


def _perhaps_as_before(
    duty: tuple[Estimate, Estimate, Estimate, Estimate],
    days: tuple[ColdPoint, ...],
    draw: Draw,
    power: Estimate,
) -> tuple[Estimate, Estimate, Estimate, Estimate]:
    """Energies with room for a heater that draws what it drew and no longer warms the cells as much.

    What it drew then is as unsure in proportion as what is told.
    """
    on_time, energy, a_day, cycles = duty
    open_still = 1 - CERTAIN < draw.chance < CERTAIN
    if not open_still or draw.well is None or energy.value is None or a_day.value is None:
        return duty
    late = math.fsum(max(p.heater_h * draw.well - p.heater_wh, 0.0) for p in days if p.day >= draw.since)
    above = energy.high / energy.value if energy.high and energy.value > 0 else 1.0
    if energy.value <= 0 and power.value and power.high:
        above = power.high / power.value
    most, length = (energy.value + late) * above, energy.value / a_day.value if a_day.value > 0 else len(days)
    return (
        on_time,
        replace(energy, high=most),
        replace(a_day, high=most / max(length, 1e-9)),
        cycles,
    )


def _duty(
    history: History,
    days: tuple[ColdPoint, ...],
    watts: Watts,
    heated: Heating,
    method: str,
    basis: str,
    coverage: float,
) -> tuple[Estimate, Estimate, Estimate, Estimate]:
    """On-time a day [h], energy [Wh], energy a day [Wh], and switchings on."""
    n = len(days)
    length = max(math.fsum(d.coverage.length_s for d in history.digests) / 86400, 1e-9)
    if method == "none" or not days:
        none = heated.reason or NO_TEMPERATURE
        return unknown("h", none), unknown("Wh", none), unknown("Wh", none), unknown("", none)
    hours = math.fsum(p.heater_h for p in days) / length
    gaps = _in_gaps(history, hours * length)
    time = math.hypot(TIME_TOLERANCE.get(method, 0.15), gaps)
    on_time = _scaled(hours, time, "h", basis, n, coverage)
    count = float(sum(_cycles(d, heated, history.facts) for d in history.digests))
    cycles = Estimate(count, "", count, count, basis, n, coverage)
    if not all(math.isfinite(p.heater_wh) for p in days):
        no = unknown("Wh", watts.power.reason or "power of the heater unknown", n=n)
        return on_time, no, no, cycles
    total = math.fsum(p.heater_wh for p in days)
    relative, full = math.hypot(_relative(watts, method), gaps), f"{basis}; {watts.power.basis}"
    energy = _scaled(total, relative, "Wh", full, n, coverage)
    return on_time, energy, _scaled(total / length, relative, "Wh", full, n, coverage), cycles
