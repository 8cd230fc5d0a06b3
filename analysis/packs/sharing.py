"""How packs in parallel share: current, charge, what circulates between them, and how their leads differ."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.digest import DayDigest
from analysis.estimate import Estimate, around, unknown
from analysis.frame import F64, Bool
from analysis.history import Bank, History
from analysis.once import once
from analysis.packs.quick_split import quick_split
from analysis.packs.witness import LeadPoint
from analysis.stats.quantiles import median
from analysis.stats.trend import Slope, theil_sen

BUSY_C = 0.05
"""Quarters of an hour with more than this through the bank show the split. [C] Practice, no source."""
QUIET_C = 0.01
"""Through the whole bank less than this flows: what a pack carries then circulates. [C]"""
LEAST_QUARTERS = 40
USUAL_LEAD_OHM = 1.5e-3
"""Mean resistance of a lead with fuse and joints, and its standard uncertainty. [Ω] Practice, no source."""
METER_OHM = 5e-5
"""What two voltmeters of 0.1 % can feign over a cycle. [Ω] Practice, no source."""
RECENT_LEAD_DAYS = 60
"""Days over which the present difference of two leads is taken. [d]"""


@dataclass(frozen=True, slots=True)
class Share:
    """One pack's part.

    Attributes
    ----------
    pack : str
    fair : float
        Its part of the rated capacity. [1]
    current : Estimate
        Its part of the bank's current while much flows (least squares over quarter hours). [1]
    quick : Estimate
        Its part of every quick change of the bank's current: resistance alone decides it, before the
        charges even it out. [1]
    charge : Estimate
        Its part of the charge moved in and out. [1]
    trend_per_year : Estimate
        Change of its monthly part of the current in a year. [1]
    days, quick_days : tuple of (str, float)
        Part of the current, and of its changes, by day, for the days with enough of it. [1]
    """

    pack: str
    fair: float
    current: Estimate
    quick: Estimate
    charge: Estimate
    trend_per_year: Estimate
    days: tuple[tuple[str, float], ...]
    quick_days: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True)
class LeadDifference:
    """Two packs' resistance from terminal to busbar, compared.

    Attributes
    ----------
    first, second : str
        Names of the packs.
    difference : Estimate
        Of the first less the second. [Ω]
    weeks : tuple of LeadPoint
        The same by week.
    """

    first: str
    second: str
    difference: Estimate
    weeks: tuple[LeadPoint, ...]


@dataclass(frozen=True, slots=True)
class Sharing:
    """The sharing of a bank.

    Attributes
    ----------
    shares : tuple of Share
        One a pack; empty with a reason when there is only one.
    circulating : Estimate
        Charge a day that packs push into each other while the bank is idle. [Ah]
    circulating_max : Estimate
        Largest quarter-hour mean of such a current. [A]
    leads : tuple of LeadDifference
        Each pack against the first.
    reason : str
    """

    shares: tuple[Share, ...]
    circulating: Estimate
    circulating_max: Estimate
    leads: tuple[LeadDifference, ...]
    reason: str = ""


@dataclass(frozen=True, slots=True)
class _Grid:
    """Quarter hours of all packs side by side: currents and voltages (packs, k), day number (k,)."""

    days: tuple[str, ...]
    day: F64
    current: F64
    voltage: F64


def _heated(digests: list[DayDigest], n: int) -> np.ndarray:
    """Quarter hours in which some heater ran: its current passes a sensor, but not the lead."""
    out = np.zeros(n, dtype=bool)
    for digest in digests:
        for run in digest.heater.runs:
            first = int((run.start_s - digest.start_s) // 900)
            last = int((run.end_s - digest.start_s) // 900)
            out[max(first, 0) : last + 1] = True
    return out


def _grid(packs: tuple[History, ...]) -> _Grid:
    by_day = [{d.day: d for d in pack.recent.digests} for pack in packs]
    common = sorted(set(by_day[0]).intersection(*by_day[1:]))
    currents, voltages, numbers = [], [], []
    kept: list[str] = []
    for day in common:
        quarters = [days[day].quarters for days in by_day]
        n = len(quarters[0].current_a)
        if n == 0 or any(len(q.current_a) != n for q in quarters):
            continue
        own = np.array([q.current_a for q in quarters])
        own[:, _heated([days[day] for days in by_day], n)] = np.nan
        currents.append(own)
        voltages.append(np.array([q.voltage_v for q in quarters]))
        numbers.append(np.full(n, len(kept), dtype=np.float64))
        kept.append(day)
    if not kept:
        none = np.empty((len(packs), 0))
        return _Grid((), np.empty(0), none, none)
    current, voltage = np.concatenate(currents, axis=1), np.concatenate(voltages, axis=1)
    known = np.isfinite(current).all(axis=0)
    return _Grid(tuple(kept), np.concatenate(numbers)[known], current[:, known], voltage[:, known])


def _split(own: F64, total: F64) -> tuple[float, float]:
    """Least-squares part through the origin and its standard error, blocks of a day's length taken as one."""
    power = float(total @ total)
    part = float(own @ total) / power
    rest = own - part * total
    block = 24
    score = rest * total
    usable = score[: score.size // block * block].reshape(-1, block).sum(axis=1)
    variance = float(usable @ usable) if usable.size >= 5 else float(score @ score) * 4
    return part, math.sqrt(variance) / power


def _by_day(
    names: tuple[str, ...], day: F64, own: F64, total: F64, used: Bool, least: int
) -> tuple[tuple[str, float], ...]:
    n = len(names)
    index = day[used].astype(np.int64)
    top = np.bincount(index, weights=(own * total)[used], minlength=n)
    bottom = np.bincount(index, weights=(total * total)[used], minlength=n)
    count = np.bincount(index, minlength=n)
    return tuple(
        (names[i], float(top[i] / bottom[i])) for i in range(n) if count[i] >= least and bottom[i] > 0
    )


def _trend(days: tuple[tuple[str, float], ...]) -> Estimate:
    if len(days) < 60:
        return unknown("1", f"{len(days)} days with a split; 60 are needed for a trend", n=len(days))
    number = np.array([np.datetime64(day) for day, _ in days]).astype("datetime64[D]").astype(np.float64)
    fit: Slope = theil_sen(number, [part for _, part in days], serial=True)
    year = 365.25
    return Estimate(
        fit.slope * year, "1", fit.low * year, fit.high * year, f"{len(days)} days, change in a year", fit.n
    )


def _share(packs: tuple[History, ...], index: int, grid: _Grid, busy: Bool) -> Share:
    rated = [p.facts.rated_ah for p in packs]
    total, own = grid.current.sum(axis=0), grid.current[index]
    part, se = _split(own[busy], total[busy])
    days = _by_day(grid.days, grid.day, own, total, busy, 8)
    basis = f"{int(busy.sum())} quarter hours on {len(days)} days, {grid.days[0]} to {grid.days[-1]}"
    moved = np.abs(grid.current).sum(axis=1)
    charge = float(moved[index] / moved.sum())
    quick_days, quickly = quick_split(packs, index)
    return Share(
        pack=packs[index].facts.name,
        fair=rated[index] / sum(rated),
        current=around(part, 1.96 * math.hypot(se, 0.005 * part), "1", basis=basis, n=int(busy.sum())),
        quick=quickly,
        charge=around(
            charge, 1.96 * 0.0058 * charge, "1", basis=f"{basis}; sensor gains of ±1 %", n=own.size
        ),
        trend_per_year=_trend(days),
        days=days,
        quick_days=quick_days,
    )


def _lead_fit(a: F64, b: F64, gap: F64, rated: float) -> Estimate:
    """Difference of two leads: V_1 − V_2 = r (I_2 − I_1) − δ (I_1 + I_2) / 2 + constant. [Ω]

    Both terminals see one busbar. δ is the difference of the leads, r their mean: the packs' currents
    differ too little to fit r, so a usual value stands for it, and its uncertainty is carried.
    """
    good = np.isfinite(gap) & (np.abs(a + b) > 0.04 * rated)
    if int(good.sum()) < LEAST_QUARTERS:
        return unknown("Ω", "too few quarter hours in which both packs carried current")
    apart = (b - a)[good]
    y = gap[good] - USUAL_LEAD_OHM * apart
    fit = _line_fit(0.5 * (a + b)[good], apart, y)
    if fit is None:
        return unknown("Ω", "the current never changed")
    worse = a[good] if fit[0] > 0 else b[good]  # its lead carries all of the difference
    fit = _line_fit(worse, apart, y) or fit
    return around(fit[0], fit[1], "Ω", basis=f"{fit[2]} quarter hours of both terminals", n=fit[2])


def _line_fit(x: F64, apart: F64, y: F64) -> tuple[float, float, int] | None:
    """Slope of y over −x with its half interval [Ω] and the points used; None without any spread."""
    keep = np.ones(y.size, dtype=bool)
    slope = 0.0
    for _ in range(3):
        middle = x[keep].mean()
        spread = x[keep] - middle
        power = float(spread @ spread)
        if power <= 0:
            return None
        slope = -float(spread @ y[keep]) / power
        rest = y - y[keep].mean() + slope * (x - middle)
        keep = np.abs(rest) < 4 * 1.4826 * median(np.abs(rest[keep])) + 0.003
    spread = x[keep] - x[keep].mean()
    power = float(spread @ spread)
    if power <= 0:
        return None
    noise = 3 * float(np.std(rest[keep])) / math.sqrt(power)  # neighbours are not independent
    tilt = float(spread @ (apart[keep] - apart[keep].mean())) / power
    return slope, 1.96 * math.hypot(noise, USUAL_LEAD_OHM * tilt, METER_OHM), int(keep.sum())


def _lead(packs: tuple[History, ...], index: int, grid: _Grid) -> LeadDifference:
    """Compare two packs' leads, over all and by week."""
    first, second = packs[0].facts.name, packs[index].facts.name
    a, b = grid.current[0], grid.current[index]
    gap = grid.voltage[0] - grid.voltage[index]
    rated = min(packs[0].facts.rated_ah, packs[index].facts.rated_ah)
    recent = grid.day >= max(len(grid.days) - RECENT_LEAD_DAYS, 0)
    weeks = []
    for start in range(0, len(grid.days), 7):
        inside = (grid.day >= start) & (grid.day < start + 7)
        fit = _lead_fit(a[inside], b[inside], gap[inside], rated)
        if fit.value is not None and fit.high is not None:
            day = grid.days[min(start + 3, len(grid.days) - 1)]
            weeks.append(LeadPoint(day, fit.value, fit.high - fit.value))
    return LeadDifference(first, second, _lead_fit(a[recent], b[recent], gap[recent], rated), tuple(weeks))


def _circulating(packs: tuple[History, ...], grid: _Grid) -> tuple[Estimate, Estimate]:
    rated = sum(p.facts.rated_ah for p in packs)
    idle = np.abs(grid.current.sum(axis=0)) < QUIET_C * rated
    days = max(len(grid.days), 1)
    each = 0.5 * np.abs(grid.current[:, idle]).sum(axis=0)
    opposed = (
        each
        * (np.sign(grid.current[:, idle]).min(axis=0) < 0)
        * (np.sign(grid.current[:, idle]).max(axis=0) > 0)
    )
    basis = f"{int(idle.sum())} idle quarter hours on {days} days"
    if int(idle.sum()) < 8:
        reason = "the bank was never idle for long enough"
        return unknown("Ah", reason), unknown("A", reason)
    charge = float(opposed.sum()) * 0.25 / days
    half = 0.25 * float(idle.sum()) * 0.25 / days  # two sensors' zeros of up to ±0.25 A
    return (
        Estimate(charge, "Ah", max(charge - half, 0.0), charge + half, basis, int(idle.sum())),
        Estimate(float(opposed.max(initial=0.0)), "A", 0.0, float(opposed.max(initial=0.0)) + 0.25, basis, 1),
    )


@once
def sharing(bank: Bank) -> Sharing:
    """Say how the packs of a bank share.

    Parameters
    ----------
    bank : Bank

    Returns
    -------
    Sharing
        Without shares, and with a reason, for one pack or without common quarter hours.
    """
    packs = bank.packs
    if len(packs) < 2:
        reason = "one pack has nothing to share with"
        return Sharing((), unknown("Ah", reason), unknown("A", reason), (), reason)
    grid = _grid(packs)
    total = grid.current.sum(axis=0)
    busy = np.abs(total) > BUSY_C * sum(p.facts.rated_ah for p in packs)
    if int(busy.sum()) < LEAST_QUARTERS:
        reason = f"only {int(busy.sum())} busy quarter hours recorded of all packs at once"
        return Sharing((), unknown("Ah", reason), unknown("A", reason), (), reason)
    shares = tuple(_share(packs, i, grid, busy) for i in range(len(packs)))
    charge, most = _circulating(packs, grid)
    leads = tuple(_lead(packs, i, grid) for i in range(1, len(packs)))
    return Sharing(shares, charge, most, leads)
