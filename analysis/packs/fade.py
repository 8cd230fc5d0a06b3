"""Loss of capacity over time: its slope, its share of age and use, and the figure from the user's papers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from analysis.daily.usage import Q_STEP
from analysis.estimate import Estimate, around, unknown
from analysis.frame import F64, Int
from analysis.history import History
from analysis.once import once
from analysis.packs.capacity import Capacity, Pair, capacity
from analysis.packs.fade_line import LEAST_PAIRS, YEAR_S, FadeLine, fade_line
from analysis.packs.life_model import Loss, Stress, calendar_rate, cycle_rate, life

LEAST_YEARS = 0.95
"""Below these no yearly rate is given: seasons imitate ageing. Practice, no source."""
LEAST_CHANGE_DAYS = 60
"""A change since the record began is given from this span on. [d]"""
MODEL_SPREAD = 0.35
"""Half width of the split between age and use, as part of the loss: two published models of the chemistry
differ by 1.8 points after a year, of 2.3 to 4.1 lost. [1]"""
ASSUMED_C = 20.0
LONGEST_LOOK = 2.0
"""No forecast further than the span observed, or than this. [years] Practice, no source."""


@dataclass(frozen=True, slots=True)
class Promise:
    """A figure the user copied from the papers, beside what the record says.

    Attributes
    ----------
    words : str
        What was entered and how the record compares, in safe words.
    figure : float
        The figure. [unit]
    recorded : Estimate
        The record's number for the same thing, in the figure's unit.
    """

    words: str
    figure: float
    recorded: Estimate


@dataclass(frozen=True, slots=True)
class Fade:
    """How a pack's usable capacity changes.

    Attributes
    ----------
    per_year : Estimate
        Change of capacity in a year, as part of the rated capacity; negative is a loss. [1]
    change : Estimate
        Change over the span of the record, likewise. [1]
    temperature_effect : Estimate
        Change of capacity for a kelvin warmer cells, taken out of the above. [Ah/K]
    calendar, cycle : Estimate
        Parts of the loss over the span that age and use would have had by a published model. [1]
    model : tuple of (str, float)
        Loss since commissioning (or since the record began) by that model as it stands, by day; sparse. [1]
    ahead : Estimate
        Capacity expected at the end of the time that may be looked ahead. [Ah]
    ahead_day : str
        That day; empty if there is no forecast.
    promises : tuple of Promise
    pairs : tuple of Pair
    """

    per_year: Estimate
    change: Estimate
    temperature_effect: Estimate
    calendar: Estimate
    cycle: Estimate
    model: tuple[tuple[str, float], ...]
    ahead: Estimate
    ahead_day: str
    promises: tuple[Promise, ...]
    pairs: tuple[Pair, ...]


def _charge_bins(history: History) -> tuple[F64, F64, Int]:
    """Each day's state of charge [1] and time spent there [s], one row a bin, with the row's day."""
    uses = [d.usage for d in history.digests]
    sizes = np.array([len(u.charge_s) for u in uses])
    day = np.repeat(np.arange(sizes.size), sizes)
    within = np.arange(day.size) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    first = np.array([u.charge_first for u in uses])
    soc = _starts(history)[day] + (first[day] + within + 0.5) * Q_STEP
    seconds = np.array([s for u in uses for s in u.charge_s], dtype=np.float64)
    return np.clip(soc, 0.02, 1.0), seconds, day


def _depths(soc: F64, day: Int, n: int) -> F64:
    """Range of the state of charge on each day; 0 without any. [1]"""
    high, low = np.full(n, -np.inf), np.full(n, np.inf)
    np.maximum.at(high, day, soc)
    np.minimum.at(low, day, soc)
    depth: F64 = np.maximum(high - low, 0.0)
    return depth


def _starts(history: History) -> F64:
    """State of charge at each day's start, counted from the last full charge; 0.6 before the first. [1]"""
    rated = history.facts.rated_ah
    net = history.totals[:-1, 0] - history.totals[:-1, 1]
    full = {a.index: a.mark.ah for a in history.anchors("full")}
    out, last = np.full(net.size, 0.6), math.nan
    for i in range(net.size):
        if math.isfinite(last):
            out[i] = min(max(1 + (net[i] - last) / rated, 0.0), 1.0)
        last = full.get(i, last)
    return out


@once
def stresses(history: History) -> tuple[Stress, ...]:
    """Return what each day did to the cells, for the ageing model.

    Parameters
    ----------
    history : History

    Returns
    -------
    tuple of Stress
        One a digest; days without a cell temperature are taken at 20 °C.
    """
    n = len(history.digests)
    if n == 0:
        return ()
    temp = np.array([d.cold.cell_mean for d in history.digests])
    temp = np.where(np.isfinite(temp), temp, ASSUMED_C)
    moved = np.diff(history.totals[:, 0] + history.totals[:, 1])
    efc = moved / (2 * history.facts.rated_ah)
    soc, seconds, day = _charge_bins(history)
    time = np.bincount(day, weights=seconds, minlength=n)
    aged = np.bincount(day, weights=calendar_rate(temp[day], soc) * seconds, minlength=n)
    k_cal = np.where(time > 0, aged / np.where(time > 0, time, 1.0), calendar_rate(temp, 0.6))
    k_cyc = cycle_rate(temp, _depths(soc, day, n), 2 * efc / 24)
    rows = zip(efc.tolist(), k_cal.tolist(), k_cyc.tolist(), strict=True)
    return tuple(Stress(1.0, *row) for row in rows)


def _before(history: History, steps: Sequence[Stress]) -> Loss:
    """Loss by the model from commissioning to the start of the record, at the record's mean stress."""
    installed = history.facts.installed
    if installed is None or not steps or not history.digests:
        return Loss(0.0, 0.0)
    days = (date.fromisoformat(history.days[0]) - date.fromisoformat(installed)).days
    if days <= 0:
        return Loss(0.0, 0.0)
    n = len(steps)
    mean = Stress(
        float(days),
        days * sum(s.efc for s in steps) / n,
        sum(s.calendar_rate for s in steps) / n,
        sum(s.cycle_rate for s in steps) / n,
    )
    return life([mean])[-1]


def _parts(history: History, change: Estimate) -> tuple[Estimate, Estimate, tuple[tuple[str, float], ...]]:
    steps = stresses(history)
    if not steps:
        no = unknown("1", "no day on record")
        return no, no, ()
    start = _before(history, steps)
    course = life(steps, start)
    stride = max(1, len(course) // 60)
    sparse = tuple((history.days[i], course[i].total) for i in range(0, len(course), stride))
    calendar, cycle = course[-1].calendar - start.calendar, course[-1].cycle - start.cycle
    if change.value is None or change.high is None or change.low is None:
        no = unknown("1", change.reason)
        return no, no, sparse
    if change.high >= 0 or calendar + cycle <= 0:
        no = unknown("1", "no loss that stands out from the uncertainty, so nothing to divide")
        return no, no, sparse
    share = calendar / (calendar + cycle)
    lost = -change.value
    low, high = max(share - MODEL_SPREAD, 0.0), min(share + MODEL_SPREAD, 1.0)
    basis = "loss on record, divided as a published model of prismatic cells divides it; models differ widely"
    parts = [
        Estimate(lost * s, "1", -change.high * a, -change.low * b, basis, change.n)
        for s, a, b in ((share, low, high), (1 - share, 1 - high, 1 - low))
    ]
    return parts[0], parts[1], sparse


def _later(day: str, years: float) -> str:
    return (date.fromisoformat(day) + timedelta(days=round(years * 365.2425))).isoformat()


def _ahead(found: Sequence[Pair], line: FadeLine | None, rate: Estimate) -> tuple[Estimate, str]:
    if line is None or rate.value is None:
        return unknown("Ah", rate.reason or "no slope"), ""
    span = (found[-1].time_s - found[0].time_s) / YEAR_S
    look = min(span, LONGEST_LOOK)
    value = line.end + line.slope * look
    half = line.q95 * math.hypot(line.u_end, line.u_slope * look)
    basis = f"straight on from {len(found)} runs over {span:.1f} years, no further than what was observed"
    return around(value, half, "Ah", basis=basis, n=len(found)), _later(found[-1].day, look)


def _promises(history: History, known: Capacity) -> tuple[Promise, ...]:
    terms, facts = history.facts.warranty, history.facts
    out: list[Promise] = []
    tail = "an estimate under the recorded conditions; a test by the method in your terms decides"
    if terms.capacity_fraction is not None:
        part = known.of_rated
        seen = (
            f"the record says {100 * part.value:.0f} % ({100 * part.low:.0f} to {100 * part.high:.0f} %)"
            if part.value is not None and part.low is not None and part.high is not None
            else f"the record cannot say yet: {part.reason}"
        )
        until = f" until {_later(terms.start_day, terms.years)}" if terms.start_day and terms.years else ""
        figure = f"the figure you entered from your documents is {100 * terms.capacity_fraction:.0f} %"
        words = f"{figure}{until}; {seen} – {tail}"
        out.append(Promise(words, terms.capacity_fraction, part))
    whole = history.whole()
    if terms.throughput_wh is not None:
        used = Estimate(
            whole.wh_out, "Wh", whole.wh_out * 0.98, whole.wh_out * 1.02, "energy out on record", 1
        )
        entered = f"{terms.throughput_wh / 1e6:.2f} MWh you entered"
        words = f"{whole.wh_out / 1e6:.2f} MWh out on record of the {entered} – {tail}"
        out.append(Promise(words, terms.throughput_wh, used))
    if terms.cycles is not None:
        efc = whole.ah_out / facts.rated_ah
        counted = Estimate(efc, "1", efc * 0.98, efc * 1.02, "charge out over the rated capacity", 1)
        words = f"{efc:.0f} equivalent full cycles on record of the {terms.cycles:.0f} you entered – {tail}"
        out.append(Promise(words, terms.cycles, counted))
    return tuple(out)


def fade(history: History, known: Capacity | None = None) -> Fade:
    """Say how the usable capacity of a pack changes.

    Parameters
    ----------
    history : History
    known : Capacity, optional
        `capacity(history)` if the caller has it.

    Returns
    -------
    Fade
        A yearly rate only from a year of record and six runs on; the change since the start from 60 days on.

    References
    ----------
    Split between age and use: see `analysis.packs.life_model`. Seasons imitate ageing: Schaeffer et al., Cell
    Reports Physical Science 5 (2024) 102258 (second-hand); hence the temperature term.
    """
    known = capacity(history) if known is None else known
    found, rated = known.pairs, history.facts.rated_ah
    line = fade_line(found)
    none = (
        f"{len(found)} runs between full and the lower knee; {LEAST_PAIRS} over a year are needed for a rate"
    )
    rate, change, kelvin = unknown("1", none), unknown("1", none), unknown("Ah/K", none)
    if line is not None:
        span = (found[-1].time_s - found[0].time_s) / YEAR_S
        basis = f"{len(found)} runs, {found[0].day} to {found[-1].day}"
        half = line.q95 * line.u_slope
        if span * 365 >= LEAST_CHANGE_DAYS:
            change = around(line.slope * span / rated, half * span / rated, "1", basis=basis, n=len(found))
        if span >= LEAST_YEARS:
            rate = around(line.slope / rated, half / rated, "1", basis=basis, n=len(found))
        else:
            rate = unknown(
                "1", f"{span * 12:.0f} months of runs; seasons imitate ageing, 12 are needed", basis
            )
        if math.isfinite(line.kelvin):
            kelvin = around(line.kelvin, line.q95 * line.u_kelvin, "Ah/K", basis=basis, n=len(found))
    calendar, cycle, model = _parts(history, change)
    ahead, day = _ahead(found, line, rate)
    return Fade(rate, change, kelvin, calendar, cycle, model, ahead, day, _promises(history, known), found)
