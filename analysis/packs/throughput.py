"""What went through a pack: charge, energy, equivalent full cycles and the depths of its cycles."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from analysis.daily.usage import C_EDGES, Q_STEP, T_EDGES
from analysis.estimate import Estimate, unknown
from analysis.frame import F64
from analysis.history import History
from analysis.stats.rainflow import closed_cycles, half_cycles

GAIN_LIMIT = 0.01
"""Gain error of an ordinary current sensor, limits of a rectangle. Common practice, no source."""
OFFSET_LIMIT_A = 0.25
"""Zero error of an ordinary current sensor, limits likewise. [A] Common practice, no source."""
DEPTH_EDGES = (0.0, 0.01, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)
"""Edges of the depth histogram, fractions of the rated capacity; the last bin is open."""


@dataclass(frozen=True, slots=True)
class DepthBin:
    """Cycles of one depth.

    Attributes
    ----------
    low, high : float
        Depth of discharge, fraction of the rated capacity; `high` is None for the last.
    cycles : float
        Closed cycles, and half for each range that is still open.
    open_halves : int
        Ranges still open, in halves.
    """

    low: float
    high: float | None
    cycles: float
    open_halves: int


@dataclass(frozen=True, slots=True)
class TimeBin:
    """Covered time in a range of something; an open bin has None for an edge. [s]"""

    low: float | None
    high: float | None
    seconds: float


@dataclass(frozen=True, slots=True)
class Throughput:
    """Everything that is counted.

    Attributes
    ----------
    ah_in, ah_out, wh_in, wh_out : Estimate
        Sums over the covered time. [Ah], [Wh]
    efc_ah : Estimate
        (Ah in + Ah out) over twice the rated capacity.
    efc_dis : Estimate
        Ah out over the rated capacity: closest to how papers word a throughput.
    ah_a_day : Estimate
        Mean discharge in a day of covered time. [Ah]
    depths : tuple of DepthBin
        Rainflow count of the net charge.
    deepest : Estimate
        Range of the largest cycle or half cycle, fraction of the rated capacity.
    c_rate, temperature : tuple of TimeBin
        Times by current [C] and by mean cell temperature [°C].
    top_share : Estimate
        Share of the covered time with the median cell above 3.38 V.
    """

    ah_in: Estimate
    ah_out: Estimate
    wh_in: Estimate
    wh_out: Estimate
    efc_ah: Estimate
    efc_dis: Estimate
    ah_a_day: Estimate
    depths: tuple[DepthBin, ...]
    deepest: Estimate
    c_rate: tuple[TimeBin, ...]
    temperature: tuple[TimeBin, ...]
    top_share: Estimate


def throughput(history: History) -> Throughput:
    """Count what went through a pack.

    Parameters
    ----------
    history : History
        May be empty: every estimate then says so.

    Returns
    -------
    Throughput

    Notes
    -----
    Intervals hold the gain and the zero error an ordinary sensor may have; time that was not recorded
    is not filled in, `coverage` tells how much that is.
    """
    whole = history.whole()
    rated = history.facts.rated_ah
    coverage = whole.covered_s / whole.elapsed_s if whole.elapsed_s > 0 else 0.0
    hours_in, hours_out = _hours(history)
    maker = _Maker(len(history.digests), coverage, _basis(history))
    energy = _with_voltage(maker, history)
    volts = whole.wh_out / whole.ah_out if whole.ah_out > 0 else 0.0
    depths, deepest = depth_histogram(history)
    days = whole.covered_s / 86400
    top = sum(d.usage.top_s for d in history.digests)
    return Throughput(
        ah_in=maker.sum("Ah", whole.ah_in, hours_in),
        ah_out=maker.sum("Ah", whole.ah_out, hours_out),
        wh_in=energy.sum("Wh", whole.wh_in, hours_in * volts),
        wh_out=energy.sum("Wh", whole.wh_out, hours_out * volts),
        efc_ah=maker.sum(
            "1", (whole.ah_in + whole.ah_out) / (2 * rated), (hours_in - hours_out) / (2 * rated)
        ),
        efc_dis=maker.sum("1", whole.ah_out / rated, hours_out / rated),
        ah_a_day=maker.sum("Ah", whole.ah_out / days if days else 0.0, hours_out / days if days else 0.0),
        depths=depths,
        deepest=maker.sum("1", deepest, 0.0),
        c_rate=time_bins(C_EDGES, np.array([d.usage.c_rate_s for d in history.digests])),
        temperature=time_bins(T_EDGES, np.array([d.usage.temp_s for d in history.digests])),
        top_share=maker.exact("1", top / whole.covered_s if whole.covered_s > 0 else 0.0),
    )


@dataclass(frozen=True, slots=True)
class _Maker:
    """Makes estimates of one window."""

    n: int
    coverage: float
    basis: str
    why: str = ""

    def sum(self, unit: str, value: float, per_ampere: float) -> Estimate:
        """Estimate with the limits of gain and zero; `per_ampere` is what 1 A of zero error adds."""
        if self.why:
            return unknown(unit, self.why, coverage=0.0)
        if self.n == 0 or self.coverage <= 0:
            return unknown(unit, "no readings in this time", coverage=0.0)
        half = 1.96 / math.sqrt(3) * math.hypot(GAIN_LIMIT * value, OFFSET_LIMIT_A * per_ampere)
        return Estimate(value, unit, max(value - half, 0.0), value + half, self.basis, self.n, self.coverage)

    def exact(self, unit: str, value: float) -> Estimate:
        """Estimate of a time or share, which only the gaps leave uncertain."""
        if self.n == 0 or self.coverage <= 0:
            return unknown(unit, "no readings in this time", coverage=0.0)
        missing = 1.0 - min(self.coverage, 1.0)
        low, high = value * (1 - missing), value * (1 - missing) + missing
        return Estimate(value, unit, low, high, self.basis, self.n, self.coverage)


def _with_voltage(maker: _Maker, history: History) -> _Maker:
    """For energies: days on which no voltage was read have none."""
    blind = sum(not math.isfinite(d.flow.total.wh_in + d.flow.total.wh_out) for d in history.digests)
    if blind and blind == len(history.digests):
        return replace(maker, why="no voltage was read, and energy needs it")
    if blind:
        return replace(maker, basis=f"{maker.basis}; days without a voltage, not in it: {blind}")
    return maker


def _basis(history: History) -> str:
    if not history.digests:
        return "no days"
    return f"{len(history.digests)} days, {history.days[0]} to {history.days[-1]}, sensor ±1 % and ±0.25 A"


def _hours(history: History) -> tuple[float, float]:
    """Hours with the meter above and below zero."""
    flows = [d.flow for d in history.digests]
    return sum(f.positive_s for f in flows) / 3600, sum(f.negative_s for f in flows) / 3600


def rainflow_turns(history: History) -> F64:
    """Return the turning points that are still open of all days, since the history's start. [Ah]"""
    if not history.digests:
        return np.empty(0)
    net = history.totals[:, 0] - history.totals[:, 1]
    parts = [net[i] + np.array(d.usage.turns_ah) for i, d in enumerate(history.digests)]
    return np.concatenate(parts)


def depth_histogram(history: History) -> tuple[tuple[DepthBin, ...], float]:
    """Count the cycles of a history by depth; the result is that of the count over its raw data.

    Returns
    -------
    (tuple of DepthBin, float)
        The histogram, and the largest range as a fraction of the rated capacity.

    References
    ----------
    ASTM E1049-85 (2011), section 5.4.4, by `analysis.stats.rainflow`.
    """
    rated = history.facts.rated_ah
    count = closed_cycles(rainflow_turns(history))
    listed = [np.array(d.usage.cycles_ah) for d in history.digests]
    closed = np.concatenate([count.ranges, *listed]) / rated
    halves, _ = half_cycles(count.residual)
    halves = halves / rated
    edges = np.array(DEPTH_EDGES[1:-1])
    k = len(DEPTH_EDGES) - 1
    whole = np.bincount(np.searchsorted(edges, closed, side="right"), minlength=k).astype(float)
    part = np.bincount(np.searchsorted(edges, halves, side="right"), minlength=k)
    whole[0] += sum(d.usage.small_n for d in history.digests)
    highs = (*DEPTH_EDGES[1:-1], None)
    bins = tuple(
        DepthBin(DEPTH_EDGES[i], highs[i], float(whole[i] + 0.5 * part[i]), int(part[i])) for i in range(k)
    )
    deepest = max(closed.max(initial=0.0), halves.max(initial=0.0))
    return bins, float(deepest)


def time_bins(edges: tuple[float, ...], seconds: F64) -> tuple[TimeBin, ...]:
    """Sum the days' times by bin. `seconds` has shape (days, len(edges) + 1)."""
    total = seconds.reshape(-1, len(edges) + 1).sum(axis=0)
    bounds = (None, *edges, None)
    return tuple(TimeBin(bounds[i], bounds[i + 1], float(s)) for i, s in enumerate(total))


def charge_times(history: History) -> tuple[TimeBin, ...]:
    """Sum the times by state of charge, counted from the last full anchor before each day.

    Returns
    -------
    tuple of TimeBin
        State of charge as a fraction of the rated capacity, in steps of `Q_STEP`, the first and last
        bin open; empty without a full anchor. Days before the first anchor are counted back from it.
    """
    fulls = history.anchors("full")
    if not fulls:
        return ()
    rated = history.facts.rated_ah
    net = history.totals[:, 0] - history.totals[:, 1]
    at = np.array([f.index for f in fulls])
    charge = np.array([f.mark.ah for f in fulls])
    last = np.maximum(np.searchsorted(at, np.arange(len(history.digests)), side="left") - 1, 0)
    start = 1.0 + (net[:-1] - charge[last]) / rated
    steps = round(1 / Q_STEP)
    total = np.zeros(steps)
    for i, digest in enumerate(history.digests):
        first = digest.usage.charge_first + round(float(start[i]) / Q_STEP)
        where = np.clip(first + np.arange(len(digest.usage.charge_s)), 0, steps - 1)
        np.add.at(total, where, digest.usage.charge_s)
    lows = (None, *(k * Q_STEP for k in range(1, steps)))
    highs = (*(k * Q_STEP for k in range(1, steps)), None)
    return tuple(TimeBin(a, b, float(s)) for a, b, s in zip(lows, highs, total, strict=True))
