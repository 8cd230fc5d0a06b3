"""Usable capacity by charge counted between a full and a low anchor, never from a plateau or a shown SoC."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.daily.anchors import Anchor
from analysis.estimate import Estimate, unknown
from analysis.frame import F64
from analysis.history import History, PlacedAnchor, span
from analysis.once import once
from analysis.packs.closure import Zero, combined_zero
from analysis.packs.heater_path import past_sensor
from analysis.packs.heater_watts import heater_boundary
from analysis.packs.sensor import known_zero
from analysis.stats.quantiles import student_quantile
from analysis.stats.regression import wtls
from analysis.stats.trend import Slope, theil_sen

FULL_SOC = {
    "taper": (1.0, 0.003),
    "low taper": (0.993, 0.006),
    "limit": (0.985, 0.010),
    "high cell": (0.97, 0.02),
}
"""State of charge at a full anchor, and its standard uncertainty, by quality. [1] Practice, no source."""
LOW_SOC = {3.10: (0.060, 0.020), 3.00: (0.037, 0.014), 2.80: (0.013, 0.007)}
"""Charge left above the low trip when the lowest cell, freed of its load, crosses a level, and its standard
uncertainty. [1] Mean and spread of sixteen open-circuit curves: graphite of Safari and Delacourt,
J. Electrochem. Soc. 158 (2011) A562, and of Prada et al., J. Electrochem. Soc. 160 (2013) A616, with 0 to
20 % of the lithium lost, and the curves of `sample_data` (coefficients from memory)."""
RANDOM_U = 0.003
"""How well the crossing of one level repeats, standard. [1] Practice, no source."""
RATE_SOC = {3.10: 0.016, 3.00: 0.009, 2.80: 0.0043}
RATE_U = 0.8
"""For each C of current at 25 °C a low anchor comes this much early, by slow polarisation that the correction
for load misses, and the relative uncertainty of that. [1/C], [1] As much again as the prompt 0.2 mΩ of a cell
of 280 Ah, on slopes of 36, 63 and 130 mV for 1 % of charge in the same curves."""
SLOWER_K, UNKNOWN_C = 4000.0, 10.0
"""Arrhenius temperature of slow polarisation [K], common practice, no source; temperature of cells without a
sensor [°C]."""
LONGEST_DAYS = 7.0
"""A pair further apart has lost too much to the sensor's offset. [d]"""
BEYOND_V = 2.4
"""A lowest cell below this when a low anchor is taken is beyond its knee. [V] Common practice, no source."""
HIDDEN = 0.01
"""Charge that may have flown in gaps, of the rated capacity, for a pair to count."""
RECENT_DAYS = 180.0
"""A capacity speaks of the pairs of this time before the last one. [d]"""
LEAST_RUNS, LEAST_SPAN_D, SLOW_SPAN_D, FAST, LEAST_LATELY = 5, 8.0, 60.0, 0.02, 5
"""Runs and days a trend needs at all, days it needs if it did not certainly move the capacity by `FAST` of
it, and runs that the last third of a fast change needs. [d], [d], [1] Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Pair:
    """Charge counted between a full and a low anchor.

    Attributes
    ----------
    day : str
        Local date of the later anchor.
    time_s : float
        Its instant. [s]
    direction : {"discharge", "charge"}
    dsoc, dsoc_u : float
        Change of the state of charge, and the random part of its standard uncertainty. [1]
    ah, ah_u : float
        Charge moved, the sensor's offset taken out, and its uncertainty with what of the offset is left. [Ah]
    hours : float
        Recorded time between the anchors. [h]
    level_v : float
        Level of the low anchor. [V]
    temp_c : float
        Mean of the cell sensors at the two anchors; NaN without. [°C]
    capacity_ah, low, high : float
        What this pair alone says, with its 95 % interval. [Ah]
    common_u : float
        What of the state of charge at the knee is unsure for every pair alike, standard. [1]
    """

    day: str
    time_s: float
    direction: str
    dsoc: float
    dsoc_u: float
    ah: float
    ah_u: float
    hours: float
    level_v: float
    temp_c: float
    capacity_ah: float
    low: float
    high: float
    common_u: float = 0.011


@dataclass(frozen=True, slots=True)
class Capacity:
    """Usable capacity of a pack under service conditions.

    Attributes
    ----------
    usable : Estimate
        From full to the low trip of the lowest cell, as of the last pair, the sensor taken at its word. [Ah]
    of_rated : Estimate
        The same as part of the rated capacity. [1]
    temp_c : Estimate
        Cell temperature of those pairs. [°C]
    offset_used : Zero
        Zero error taken out of the charges. [A]
    pairs : tuple of Pair
        All of the history, in order.
    """

    usable: Estimate
    of_rated: Estimate
    temp_c: Estimate
    offset_used: Zero
    pairs: tuple[Pair, ...]


def _runs(anchors: tuple[PlacedAnchor, ...]) -> list[tuple[PlacedAnchor, PlacedAnchor]]:
    """Pair every full anchor with the deepest low one (the last of its level) before and after it.

    A lowest cell far beyond its knee, by a heater's or the electronics' draw after the trip or through a gap,
    marks a charge that nobody can place: neither it nor what follows begins a run up to the next full charge.
    """
    found: list[tuple[PlacedAnchor, PlacedAnchor]] = []
    full = low = None
    beyond = False
    for anchor in anchors:
        if anchor.anchor.kind == "low":
            beyond = beyond or anchor.anchor.min_v < BEYOND_V
            if not beyond and (low is None or anchor.anchor.level_v <= low.anchor.level_v):
                low = anchor
            continue
        found += [(full, low)] if full and low else []
        found += [(low, anchor)] if low and not beyond else []
        full, low, beyond = anchor, None, False
    return found + ([(full, low)] if full and low else [])


def low_soc(anchor: Anchor, rated: float) -> tuple[float, float]:
    """State of charge at a low anchor, and what of it slow polarisation leaves unsure. [1]"""
    level = _level(anchor.level_v)
    temp_c = anchor.temp_c if math.isfinite(anchor.temp_c) else UNKNOWN_C
    colder = math.exp(SLOWER_K * (1 / (temp_c + 273.15) - 1 / 298.15))
    early = RATE_SOC[level] * abs(anchor.current_a) / rated * colder
    return LOW_SOC[level][0] + early, RATE_U * early


def _past_sensor(history: History, a: PlacedAnchor, b: PlacedAnchor) -> tuple[float, float]:
    """Charge that a heater took past the sensor between two anchors, and its standard uncertainty. [Ah]"""
    total = u = 0.0
    for index, (ah, ah_u) in enumerate(past_sensor(history)[a.index : b.index + 1], start=a.index):
        if ah_u <= 0:
            continue
        digest = history.digests[index]
        on = [(r.start_s, r.end_s) for r in digest.heater.runs] or [(digest.start_s, digest.end_s)]
        within = math.fsum(max(min(end, b.mark.time_s) - max(start, a.mark.time_s), 0.0) for start, end in on)
        share = min(within / math.fsum(end - start for start, end in on), 1.0)
        total, u = total + share * ah, u + share * ah_u
    return total, u


def _pair(history: History, a: PlacedAnchor, b: PlacedAnchor, zero: Zero, *, inside: bool) -> Pair | None:
    rated = history.facts.rated_ah
    moved = span(a.mark, b.mark)
    if moved.elapsed_s > LONGEST_DAYS * 86400 or moved.covered_s <= 0:
        return None
    hidden = moved.uncovered_s * (moved.ah_in + moved.ah_out) / moved.covered_s
    if hidden > HIDDEN * rated:
        return None
    past, past_u = (0.0, 0.0) if inside else _past_sensor(history, a, b)
    if past_u > HIDDEN * rated:
        return None
    full, low = (a, b) if a.anchor.kind == "full" else (b, a)
    soc_full, u_full = FULL_SOC[full.anchor.quality]
    soc_low, u_slow = low_soc(low.anchor, rated)
    common = math.hypot(level_u(low.anchor.level_v), u_slow)
    hours = moved.covered_s / 3600
    ah = abs(moved.ah - zero.offset_a * hours - past)
    if not 0.5 * rated < ah < 1.5 * rated:
        return None
    capacity = ah + (1 - soc_full + soc_low) * rated  # what is missing at the ends is so much of whole cells
    share = rated / capacity
    dsoc, dsoc_u = ah / capacity, share * math.hypot(u_full, RANDOM_U, 0.5 * u_slow)
    common *= share
    u = math.hypot(0.001 * ah, 0.5 * hidden, zero.u_a * hours, past_u)
    half = 1.96 * capacity * math.hypot(u / ah, dsoc_u / dsoc, common)
    temps = [t for t in (a.anchor.temp_c, b.anchor.temp_c) if math.isfinite(t)]
    return Pair(
        day=b.day,
        time_s=b.mark.time_s,
        direction="discharge" if full is a else "charge",
        dsoc=dsoc,
        dsoc_u=dsoc_u,
        ah=ah,
        ah_u=u,
        hours=hours,
        level_v=low.anchor.level_v,
        temp_c=sum(temps) / len(temps) if temps else math.nan,
        capacity_ah=capacity,
        low=capacity - half,
        high=capacity + half,
        common_u=common,
    )


def _level(level_v: float) -> float:
    return min(LOW_SOC, key=lambda v: abs(v - level_v))


def level_u(level_v: float) -> float:
    """Systematic standard uncertainty of the charge left at a level. [1]"""
    return LOW_SOC[_level(level_v)][1]


def pairs(history: History, zero: Zero) -> tuple[Pair, ...]:
    """Find every pair of a full and a low anchor next to each other.

    Parameters
    ----------
    history : History
    zero : Zero
        Zero error of the current sensor, taken out.

    Returns
    -------
    tuple of Pair
        In order; not those more than a week apart, nor with gaps that may hide more than 1 % of the
        charge, nor with a heater of which it is as unsure what it took past the sensor.
    """
    inside = heater_boundary(history.recent) == "inside"
    found = (_pair(history, a, b, zero, inside=inside) for a, b in _runs(history.anchors()))
    return tuple(p for p in found if p is not None)


def _detrended(found: list[Pair]) -> tuple[list[Pair], F64, float]:
    """The runs that speak of the present, their charges brought to the time of the last by the trend. [Ah]

    Returns
    -------
    (list of Pair, array, float)
        A fast change is followed by the last third of its time only. With the charges, and the standard
        uncertainty of the capacity that the trend brings in. [Ah]
    """
    fit = _trend(found)
    if fit is None:
        return found, np.array([p.ah for p in found]), 0.0
    span = (found[-1].time_s - found[0].time_s) / 86400
    middle = float(np.median([p.capacity_ah for p in found]))
    if min(abs(fit.low), abs(fit.high)) * span > FAST * middle:
        lately = [p for p in found if found[-1].time_s - p.time_s <= 86400 * span / 3]
        fit, found = (_trend(lately) or fit), (lately if len(lately) >= LEAST_LATELY else found)
    days = np.array([(found[-1].time_s - p.time_s) / 86400 for p in found])
    dsoc = np.array([p.dsoc for p in found])
    u = (fit.high - fit.low) / 3.92 * float(days.mean())
    return found, np.array([p.ah for p in found]) + fit.slope * days * dsoc, u


def _trend(found: list[Pair]) -> Slope | None:
    """Change of the capacity with time, where there is one for certain. [Ah/d]"""
    t = np.array([p.time_s for p in found]) / 86400
    if len(found) < LEAST_RUNS or t[-1] - t[0] < LEAST_SPAN_D:
        return None
    fit = theil_sen(t, [p.capacity_ah for p in found], serial=True)
    if not (fit.low > 0 or fit.high < 0):
        return None
    least = min(abs(fit.low), abs(fit.high)) * (t[-1] - t[0])
    slow = t[-1] - t[0] < SLOW_SPAN_D and least < FAST * float(np.median([p.capacity_ah for p in found]))
    return None if slow else fit


def alike(found: list[Pair]) -> list[Pair]:
    """Leave out runs that say something quite different from most: a knee that was none."""
    values = np.array([p.capacity_ah for p in found])
    if values.size < 4:
        return found
    middle = float(np.median(values))
    spread = 1.4826 * float(np.median(np.abs(values - middle)))
    own = [p.capacity_ah * math.hypot(p.dsoc_u / p.dsoc, p.ah_u / p.ah) for p in found]
    return [p for p, v, u in zip(found, values, own, strict=True) if abs(v - middle) <= 4 * max(spread, u)]


def present(found: list[Pair], zero: Zero) -> Estimate:
    """Capacity at the time of the last of some pairs, one or more, in order. [Ah]

    Parameters
    ----------
    found : list of Pair
    zero : Zero
        Zero error of the current sensor, taken out of them.
    """
    lately = [p for p in found if found[-1].time_s - p.time_s <= RECENT_DAYS * 86400]
    recent, ah, trend_u = _detrended(alike(lately))
    dsoc = np.array([p.dsoc for p in recent])
    fit = wtls(dsoc, ah, [p.dsoc_u for p in recent], [p.ah_u for p in recent])
    values = ah / dsoc
    scatter = float(np.std(values, ddof=1)) / math.sqrt(len(recent)) if len(recent) > 2 else 0.0
    weights = np.array([(p.dsoc / p.dsoc_u) ** 2 for p in recent])
    knee_u = float(np.average([p.common_u for p in recent], weights=weights))
    signed = [p.hours / p.dsoc * (1 if p.direction == "discharge" else -1) for p in recent]
    offset_u = abs(float(np.mean(signed))) * zero.u_a
    u = math.hypot(max(fit.sd, scatter), fit.q * knee_u, offset_u, trend_u)
    half = (student_quantile(0.975, max(len(recent) - 1, 3)) if scatter > fit.sd else 1.96) * u
    deepest = min(p.level_v for p in recent)
    basis = (
        f"{len(recent)} runs between full and the lower knee ({deepest:.2f} V), "
        f"{recent[0].day} to {recent[-1].day}; the current sensor's gain is not known and not included"
    )
    return Estimate(fit.q, "Ah", fit.q - half, fit.q + half, basis, len(recent))


def _refusal(history: History) -> str:
    kinds = {a.anchor.kind for a in history.anchors()}
    if "full" not in kinds:
        return (
            "the pack was never seen full; charge it until the current tapers, then use it to the lower knee"
        )
    if "low" not in kinds:
        return "the pack was never used down to the lower knee; `bankbook captest` guides through it"
    return "no full charge and low discharge within a week without gaps or heating; `bankbook captest` guides"


@once
def capacity(history: History) -> Capacity:
    """Estimate the usable capacity of a pack.

    Parameters
    ----------
    history : History

    Returns
    -------
    Capacity
        Refused, with the reason, when no pair of anchors exists. The zero error is that of the recent past.

    References
    ----------
    Total least squares with errors in both: Plett, J. Power Sources 196 (2011) 2319. Why the plateau cannot
    carry it: Lin, Stefanopoulou, J. Electrochem. Soc. 162 (2015) A1879, eqs 14–15.
    """
    zero = combined_zero(known_zero(history.recent))
    found = pairs(history, zero)
    if not found:
        reason = _refusal(history)
        return Capacity(unknown("Ah", reason), unknown("1", reason), unknown("°C", reason), zero, ())
    usable = present(list(found), zero)
    rated = history.facts.rated_ah
    value, low, high = usable.value or 0.0, usable.low or 0.0, usable.high or 0.0
    temps = [
        p.temp_c
        for p in found
        if math.isfinite(p.temp_c) and found[-1].time_s - p.time_s <= RECENT_DAYS * 86400
    ]
    temp = (
        Estimate(float(np.mean(temps)), "°C", min(temps), max(temps), "range over the runs", len(temps))
        if temps
        else unknown("°C", "no cell temperature")
    )
    part = Estimate(value / rated, "1", low / rated, high / rated, usable.basis, usable.n)
    return Capacity(usable, part, temp, zero, found)
