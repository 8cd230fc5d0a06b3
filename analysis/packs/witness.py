"""The bank seen from elsewhere: lead resistance with its heat, and whether the screens agree."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.daily.witness_day import WitnessDay
from analysis.digest import DayDigest
from analysis.estimate import Estimate, around, unknown
from analysis.frame import F64
from analysis.history import Bank, History
from analysis.once import once
from analysis.packs.conductor import resistance_ohm
from analysis.stats.change import Change, step_change
from analysis.stats.trend import theil_sen

COPPER_C = 40.0
"""Temperature at which the conductor alone is worked out: warm, not hot. [°C] Practice, no source."""
LEAST_MINUTES = 60
"""Steady minutes a day, or a pooled week, must have. Practice, no source."""
SHARE_WANDER = 0.03
"""What packs that do not always share alike make of a path, standard. [1] Measured on simulated banks."""
MINUTES_ALIKE = 16.0
"""Minutes in a row are worth a quarter of independent ones: factor of the variance. Practice, no source."""
ALONE = 1.25
"""A day's largest current beyond this times the third largest of all days stands alone. [1]
Practice, no source."""
SMALL_OHM = 2e-5
"""Uncertainty from meters whose gains differ, standard. [Ω] Practice, no source."""


@dataclass(frozen=True, slots=True)
class LeadPoint:
    """One pooled week: day of its middle, resistance and half its 95 % interval. [Ω]"""

    day: str
    ohm: float
    half: float


@dataclass(frozen=True, slots=True)
class PackWitness:
    """One pack beside one witness.

    Attributes
    ----------
    pack, witness : str
    path : Estimate
        Voltage lost between pack and witness for each ampere of this pack, the others carrying their
        usual part: its own lead, and what it shares with them. [Ω]
    own, shared : Estimate
        The two parts of it, as far as the packs' currents differ enough to tell them apart. [Ω]
    worst_a : float
        Largest current of this pack that more than two days bear out. [A]
    drop, heat : Estimate
        Voltage lost in `path` at that current, and heat of this pack's current in it. [V], [W]
    conductor : Estimate
        What copper of the configured length and area alone would be. [Ω]
    weeks : tuple of LeadPoint
        `path` by week.
    trend_per_year : Estimate
        Change of `path` in a year. [Ω]
    jump : Change or None
        The most likely step of it, in days since the first week.
    soc_gap, soc_gap_worst : Estimate
        Charge shown by the witness less that shown by the pack: median of the days, and the largest. [1]
    """

    pack: str
    witness: str
    path: Estimate
    own: Estimate
    shared: Estimate
    worst_a: float
    drop: Estimate
    heat: Estimate
    conductor: Estimate
    weeks: tuple[LeadPoint, ...]
    trend_per_year: Estimate
    jump: Change | None
    soc_gap: Estimate
    soc_gap_worst: Estimate


UPPER = np.array([[0, 1, 2, 3], [1, 4, 5, 6], [2, 5, 7, 8], [3, 6, 8, 9]])
"""Where the entries of a symmetric matrix of four lie in its upper triangle, row by row."""


def _sums(rows: list[tuple[DayDigest, WitnessDay]]) -> F64:
    """Normal equations of each day, none where it has none; shape (days, 10), the upper triangles."""
    none = (0.0,) * 10
    return np.array([w.drop or none for _, w in rows], dtype=np.float64).reshape(-1, 10)


def _solve(total: F64, columns: list[int]) -> tuple[F64, F64] | None:
    """Coefficients and covariance of the drop on the chosen columns of z."""
    a, b = total[np.ix_(columns, columns)], total[columns, 3]
    if np.linalg.cond(a) > 1e12:
        return None
    fit = np.linalg.solve(a, b)
    loss = max(float(total[3, 3] - fit @ b), 0.0)
    noise = loss / max(float(total[0, 0]) - len(columns), 1.0)
    return np.asarray(fit, dtype=np.float64), np.asarray(
        np.linalg.inv(a), dtype=np.float64
    ) * noise * MINUTES_ALIKE


def _pooled(history: History, name: str) -> list[tuple[DayDigest, WitnessDay]]:
    return [(d, w) for d in history.digests for w in d.witness if w.name == name]


def _ohm(value: float, variance: float, n: int) -> Estimate:
    half = 1.96 * math.hypot(math.sqrt(max(variance, 0.0)), SMALL_OHM)
    return around(value, half, "Ω", basis=f"{n} steady minutes", n=n)


def _path(total: F64, *, several: bool) -> Estimate:
    """Drop over this pack's current alone, from pooled normal equations. [Ω]"""
    n = int(total[0, 0])
    if n < LEAST_MINUTES:
        return unknown("Ω", f"{n} steady minutes beside the witness; {LEAST_MINUTES} are needed", n=n)
    one = _solve(total, [0, 1])
    if one is None:
        return unknown("Ω", "the current never changed beside the witness", n=n)
    wander = (SHARE_WANDER * float(one[0][1])) ** 2 if several else 0.0
    return _ohm(float(one[0][1]), float(one[1][1, 1]) + wander, n)


def _parts(total: F64, path: Estimate, *, several: bool) -> tuple[Estimate, Estimate]:
    """Own and shared part of the path. [Ω]"""
    if not several:
        return path, unknown("Ω", "one pack shares its path with none")
    n = int(total[0, 0])
    both = _solve(total, [0, 1, 2]) if n >= LEAST_MINUTES and total[2, 2] > 0 else None
    if both is None:
        no = unknown("Ω", path.reason or "the witness gives no current of its own", n=n)
        return no, no
    own, shared = (_ohm(float(both[0][i]), float(both[1][i, i]), n) for i in (1, 2))
    if own.high is not None and own.value is not None and own.high - own.value > 0.5e-3:
        no = unknown(
            "Ω", "the packs' currents never differ enough to tell own lead and shared path apart", n=n
        )
        return no, no
    return own, shared


def _weeks(rows: list[tuple[DayDigest, WitnessDay]], sums: F64) -> tuple[LeadPoint, ...]:
    """Resistance by weeks of record: a line through the drop over the pack's current."""
    if not rows:
        return ()
    starts = np.arange(0, len(rows), 7)
    n, x, y, xx, xy, yy = (np.add.reduceat(sums[:, i], starts) for i in (0, 1, 3, 4, 6, 9))
    with np.errstate(divide="ignore", invalid="ignore"):
        power = xx - x * x / n
        slope = (xy - x * y / n) / power
        loss = np.maximum(yy - y * y / n - slope * (xy - x * y / n), 0.0)
        variance = MINUTES_ALIKE * loss / np.maximum(n - 2, 1.0) / power
        told = (n >= LEAST_MINUTES) & (power > 1e-6 * np.maximum(xx, 1.0))
    half = 1.96 * np.hypot(np.sqrt(np.where(told, variance, 0.0)), SMALL_OHM)
    middles = starts + np.minimum(len(rows) - starts, 7) // 2
    return tuple(
        LeadPoint(rows[middles[k]][0].day, float(slope[k]), float(half[k]))
        for k in np.flatnonzero(told).tolist()
    )


def _trend(weeks: tuple[LeadPoint, ...]) -> tuple[Estimate, Change | None]:
    if len(weeks) < 8:
        return unknown(
            "Ω", f"{len(weeks)} weeks beside the witness; 8 are needed for a trend", n=len(weeks)
        ), None
    day = np.array([np.datetime64(w.day) for w in weeks]).astype("datetime64[D]").astype(np.float64)
    ohm = np.array([w.ohm for w in weeks])
    fit = theil_sen(day, ohm, serial=True)
    change = step_change(day - day[0], ohm, edge=2)
    year = 365.25
    trend = Estimate(
        fit.slope * year, "Ω", fit.low * year, fit.high * year, f"{len(weeks)} weeks, in a year", fit.n
    )
    return trend, change


def _soc(rows: list[tuple[DayDigest, WitnessDay]]) -> tuple[Estimate, Estimate]:
    gaps = [w.soc_gap for _, w in rows if math.isfinite(w.soc_gap)]
    if not gaps:
        no = unknown("1", "pack and witness do not both show a state of charge")
        return no, no
    worst = max((w.soc_gap_worst for _, w in rows if math.isfinite(w.soc_gap_worst)), key=abs)
    low, middle, high = (float(q) for q in np.percentile(gaps, (2.5, 50, 97.5)))
    basis = f"{len(gaps)} days"
    return Estimate(middle, "1", low, high, basis, len(gaps)), Estimate(
        worst, "1", worst, worst, basis, len(gaps)
    )


def _conductor(history: History) -> Estimate:
    lead = history.facts.lead
    if lead.loop_m is None or lead.area_mm2 is None:
        return unknown("Ω", "length and copper area of the lead are not in the configuration")
    cold, warm = (resistance_ohm(lead.loop_m, lead.area_mm2, t) for t in (20.0, 75.0))
    value = resistance_ohm(lead.loop_m, lead.area_mm2, COPPER_C)
    return Estimate(
        value, "Ω", cold, warm, f"{lead.loop_m:g} m of {lead.area_mm2:g} mm² copper, 20 to 75 °C", 1
    )


def _scaled(of: Estimate, factor: float, unit: str) -> Estimate:
    if of.value is None or of.low is None or of.high is None:
        return unknown(unit, of.reason)
    return Estimate(of.value * factor, unit, of.low * factor, of.high * factor, of.basis, of.n)


def highest_current(days: Sequence[DayDigest]) -> float:
    """Largest current seen, either way, that other days bear out: one misread register is none. [A]"""
    peaks = sorted((max(d.flow.max_charge_a, d.flow.max_discharge_a) for d in days), reverse=True)
    if len(peaks) < 5:
        return peaks[0] if peaks else 0.0
    return next(p for p in peaks if p <= ALONE * peaks[2])


def _one(history: History, name: str, *, several: bool) -> PackWitness:
    rows = _pooled(history, name)
    sums = _sums(rows)
    total = sums[sums[:, 0] > 0][-60:].sum(axis=0)[UPPER]
    path = _path(total, several=several)
    own, shared = _parts(total, path, several=several)
    worst = highest_current([d for d, _ in rows])
    weeks = _weeks(rows, sums)
    trend, jump = _trend(weeks)
    soc, soc_worst = _soc(rows)
    return PackWitness(
        pack=history.facts.name,
        witness=name,
        path=path,
        own=own,
        shared=shared,
        worst_a=worst,
        drop=_scaled(path, worst, "V"),
        heat=_scaled(path, worst**2, "W"),
        conductor=_conductor(history),
        weeks=weeks,
        trend_per_year=trend,
        jump=jump,
        soc_gap=soc,
        soc_gap_worst=soc_worst,
    )


@once
def witness(bank: Bank) -> tuple[PackWitness, ...]:
    """Compare each pack with each witness.

    Parameters
    ----------
    bank : Bank

    Returns
    -------
    tuple of PackWitness
        By pack, then witness name; empty without witnesses. Resistances are from the last 60 days that
        have any.
    """
    return tuple(
        _one(history, name, several=len(bank.packs) > 1)
        for history in bank.packs
        for name in sorted({w.name for d in history.digests for w in d.witness})
    )
