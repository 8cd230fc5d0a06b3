"""Imbalance: how far each cell is behind, what it lacks, how it drifts, and what balancing does about it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from analysis.cells.drift import (
    MA_PER_AH_DAY,
    Drift,
    Line,
    fit_cells,
    interval,
)
from analysis.cells.offsets import GROUPS, OWN, Offsets, collect
from analysis.cells.windows import VAGUE_FRACTION, scatter_by_group
from analysis.estimate import Estimate, unknown
from analysis.frame import F64
from analysis.history import History
from analysis.once import once

SCALE_ERROR = 0.08
"""What a drift may be wrong by in proportion: gain of the current sensor, shape of the curve. [1]
Common practice, no source."""
FAR_FRACTION, FAR_ERROR, FAR_INWARD = 0.15, 0.08, 0.25
"""A cell this far behind, as part of the rated charge, leaves its knee and is told by the plateau alone: by
so much more in proportion, and by so much on the side away from the other cells, to which a curve of few
features draws it. [1] From simulated banks."""
DEFICIT_ERROR, BESIDE_ERROR = 0.004, 0.05
"""What a deficit may be wrong by: a part of the rated charge, and of the offset it is told from. [1]
From simulated banks."""
BALANCE_ERROR = 0.25
"""What the configured balancing current may be wrong by (standard deviation). [1] Practice, no source."""
HIDDEN = {"cells": 0.0, "flag": 0.4, "none": 1.0}
"""Part of the balancing that was possible which may have taken charge from the other cells unseen, and so
hidden a leak, by what the pack says about balancing. [1] Common practice, no source."""
RECENT_DAYS = 30.0
"""What "now" means for an offset. [days]"""


@dataclass(frozen=True, slots=True)
class OffsetPoint:
    """One window of one cell: local date, kind of window, offset and its standard deviation [Ah]."""

    day: str
    where: str
    offset_ah: float
    sigma_ah: float


@dataclass(frozen=True, slots=True)
class CellImbalance:
    """One cell; every offset is positive if the cell holds less charge than the median cell.

    Attributes
    ----------
    cell : int
        From 1.
    top, bottom : Estimate
        Offset at the top knee, and at the lowest windows, lately. [Ah]
    deficit : Estimate
        Capacity below the median cell's. [Ah]
    leak : Estimate
        Drift with balancing taken out: charge lost beyond the median cell's loss. [mA]
    slope : Estimate
        Drift as it shows, balancing included. [mA]
    since : str or None
        Local date of the onset of the drift; None if it drifts from the first window on, or not.
    at_least_ah : float or None
        The most that a recent charge proves the cell to be behind, where it stayed out of the knee. [Ah]
    balanced_h_day : float or None
        Hours a day it was balanced beyond the median cell, lately; None if the pack does not say. [h]
    drift, net : Drift or None
        The fits behind the numbers, with and without balancing taken out.
    series : tuple of OffsetPoint
        The windows behind it.
    """

    cell: int
    top: Estimate
    bottom: Estimate
    deficit: Estimate
    leak: Estimate
    slope: Estimate
    since: str | None
    at_least_ah: float | None
    balanced_h_day: float | None
    drift: Drift | None
    net: Drift | None
    series: tuple[OffsetPoint, ...]


@dataclass(frozen=True, slots=True)
class Imbalance:
    """All cells of a pack.

    Attributes
    ----------
    cells : tuple of CellImbalance
        In order.
    balance_source : str
        "cells", "flag" or "none": what the pack says about balancing.
    balance_possible_h_day : float
        Hours a day the median cell was above the voltage at which balancing starts, lately. [h]
    windows : int
        Comparisons behind it.
    basis : str
    """

    cells: tuple[CellImbalance, ...]
    balance_source: str
    balance_possible_h_day: float
    windows: int
    basis: str


@once
def imbalance(history: History) -> Imbalance:
    """Judge the imbalance of a pack from its digests.

    Parameters
    ----------
    history : History

    Returns
    -------
    Imbalance
        Without cells if no day compared any.
    """
    offsets = collect(history)
    n = offsets.dq_ah.shape[1]
    source, possible, balanced = _balancing(history, n)
    if offsets.t_day.size == 0:
        return Imbalance((), source, possible, 0, "no charge or discharge long enough to compare cells")
    rated = history.facts.rated_ah
    scatter = scatter_by_group(offsets, rated)
    drifts = fit_cells(offsets, range(n), scatter, rated)
    nets = [_shown(offsets, j, drifts[j]) for j in range(n)]
    spread = _spread(drifts)
    basis = _basis(offsets)
    cells = tuple(
        _cell(
            history,
            offsets,
            j,
            drifts[j],
            nets[j],
            spread,
            None if balanced is None else float(balanced[j]),
            basis,
        )
        for j in range(n)
    )
    hidden = HIDDEN[source] * possible * history.facts.balance_a * MA_PER_AH_DAY
    cells = tuple(replace(one, leak=_hiding(one, hidden)) for one in cells)
    return Imbalance(cells, source, possible, offsets.t_day.size, basis)


def _hiding(one: CellImbalance, hidden_ma: float) -> Estimate:
    """A leak of a cell that is behind, its interval open to what balancing takes from the others unseen."""
    leak = one.leak
    behind = one.top.value is not None and one.top.value > 0
    if leak.value is None or leak.high is None or leak.value <= 0 or not behind:
        return leak
    return replace(leak, high=leak.high + hidden_ma)


def _shown(offsets: Offsets, j: int, drift: Drift | None) -> Drift | None:
    """The drift as it shows: the leak, and what balancing took since the onset."""
    if drift is None:
        return None
    first = offsets.t_day[0] if drift.onset_day is None else drift.onset_day
    k = min(int(np.searchsorted(offsets.t_day, first)), offsets.t_day.size - 1)
    span = float(offsets.t_day[-1] - offsets.t_day[k])
    taken = float(offsets.bleed_ah[-1, j] - offsets.bleed_ah[k, j]) / span if span > 0 else 0.0
    line = drift.slope_ah_day
    return replace(drift, slope_ah_day=Line(line.value + taken, line.sd))


def _basis(offsets: Offsets) -> str:
    names = {
        "top": "at the top",
        "middle": "on the plateau",
        "bottom": "at the bottom",
        "own": "down to the own knee",
    }
    counts: dict[str, int] = {}
    for g in offsets.group.tolist():
        counts[names[GROUPS[g][0]]] = counts.get(names[GROUPS[g][0]], 0) + 1
    parts = ", ".join(f"{count} {name}" for name, count in counts.items())
    return f"comparisons: {parts}, {offsets.day[0]} to {offsets.day[-1]}"


def _balancing(history: History, n: int) -> tuple[str, float, F64 | None]:
    """What balancing is known from, and its recent hours a day: possible, and done beyond the median cell."""
    recent = [
        d
        for d in history.digests[-30:]
        if len(d.knees.balancing.possible_s) == n and d.coverage.covered_s > 0
    ]
    if not recent or n == 0:
        return "none", 0.0, None
    days = sum(d.coverage.covered_s for d in recent) / 86400.0
    possible = sum(float(np.median(d.knees.balancing.possible_s)) for d in recent) / 3600.0 / days
    sources = {d.knees.balancing.source for d in recent}
    source = "cells" if "cells" in sources else "flag" if "flag" in sources else "none"
    if source == "none":
        return source, possible, None
    done = sum(
        (np.array(d.knees.balancing.balanced_s) for d in recent if len(d.knees.balancing.balanced_s) == n),
        np.zeros(n),
    )
    done = np.asarray(done) / 3600.0 / days
    return source, possible, done - np.median(done)


def _spread(drifts: list[Drift | None]) -> float:
    """Standard deviation of the drifts of ordinary cells: what a healthy bank shows. [Ah/day]"""
    values = np.array([d.slope_ah_day.value for d in drifts if d is not None])
    if values.size < 5:
        return 0.0
    return float(1.4826 * np.median(np.abs(values - np.median(values))))


def _cell(
    history: History,
    offsets: Offsets,
    j: int,
    drift: Drift | None,
    net: Drift | None,
    spread: float,
    balanced: float | None,
    basis: str,
) -> CellImbalance:
    least = _proven(offsets, j)
    if drift is None or net is None:
        reason = "too few charges or discharges in which this cell could be compared"
        none = unknown("Ah", reason, basis)
        slow = unknown("mA", reason, basis)
        return CellImbalance(
            j + 1,
            none,
            none,
            none,
            slow,
            slow,
            None,
            least,
            balanced,
            drift,
            net,
            _series(offsets, j, history),
        )
    dof, rated = drift.n - 4.0, history.facts.rated_ah
    return CellImbalance(
        cell=j + 1,
        top=_estimate(drift.offset_ah, dof, "Ah", basis, drift.n),
        bottom=_bottom(drift, dof, basis),
        deficit=_deficit(drift, dof, rated, basis),
        leak=_rate(drift, spread, abs(drift.slope_ah_day.value - net.slope_ah_day.value), rated, dof, basis),
        slope=_rate(net, spread, 0.0, rated, dof, basis),
        since=_since(offsets, drift),
        at_least_ah=least,
        balanced_h_day=balanced,
        drift=drift,
        net=net,
        series=_series(offsets, j, history),
    )


def _estimate(line: Line, dof: float, unit: str, basis: str, n: int, scale: float = 1.0) -> Estimate:
    low, high = interval(line, dof)
    return Estimate(line.value * scale, unit, low * scale, high * scale, basis, n)


def _rate(drift: Drift, spread: float, balanced: float, rated_ah: float, dof: float, basis: str) -> Estimate:
    line = drift.slope_ah_day
    far = min(max(drift.offset_ah.value, 0.0) / (FAR_FRACTION * rated_ah), 1.0)
    scale = SCALE_ERROR + FAR_ERROR * far
    sd = math.hypot(line.sd, scale * line.value, 0.5 * spread, BALANCE_ERROR * balanced)
    if drift.span_days < 5:
        return unknown(
            "mA", f"only {drift.span_days:.0f} days of comparisons; ten show a drift", basis, drift.n
        )
    made = _estimate(Line(line.value, sd), dof, "mA", basis, drift.n, MA_PER_AH_DAY)
    inward = FAR_INWARD * far * max(line.value, 0.0) * MA_PER_AH_DAY
    return made if made.high is None else replace(made, high=made.high + inward)


def _deficit(drift: Drift, dof: float, rated_ah: float, basis: str) -> Estimate:
    if not math.isfinite(drift.deficit_ah.sd):
        return unknown("Ah", _untold(drift), basis, drift.n)
    line = drift.deficit_ah
    sd = math.hypot(line.sd, DEFICIT_ERROR * rated_ah, BESIDE_ERROR * drift.offset_ah.value)
    return _estimate(Line(line.value, sd), dof, "Ah", basis, drift.n)


def _untold(drift: Drift) -> str:
    """Why a deficit cannot be told."""
    if drift.apart > 1:
        return (
            "comparisons on the plateau and on the way down contradict each other: the cells differ in the "
            "shape of their curves; a discharge into the lower knee tells"
        )
    return "the bank was not discharged deep enough to compare both ends"


def _bottom(drift: Drift, dof: float, basis: str) -> Estimate:
    if not math.isfinite(drift.deficit_ah.sd):
        return unknown("Ah", _untold(drift), basis, drift.n)
    line = Line(
        drift.offset_ah.value + drift.deficit_ah.value, math.hypot(drift.offset_ah.sd, drift.deficit_ah.sd)
    )
    return _estimate(line, dof, "Ah", basis, drift.n)


def _since(offsets: Offsets, drift: Drift) -> str | None:
    if drift.onset_day is None:
        return None
    k = int(np.searchsorted(offsets.t_day, drift.onset_day))
    return offsets.day[min(k, len(offsets.day) - 1)]


def _proven(offsets: Offsets, j: int) -> float | None:
    """The largest lower limit that at least three recent top windows agree on. [Ah]"""
    rows = (offsets.group == 0) & (offsets.t_day > offsets.t_day.max() - RECENT_DAYS)
    limits = np.sort(offsets.least_ah[rows, j])
    if limits.size < 3 or not limits[-3] > 0:
        return None
    return float(limits[-3])


def _series(offsets: Offsets, j: int, history: History) -> tuple[OffsetPoint, ...]:
    worst = VAGUE_FRACTION * history.facts.rated_ah
    return tuple(
        OffsetPoint(day, GROUPS[g][0], dq, sigma)
        for day, g, dq, sigma in zip(
            offsets.day,
            offsets.group.tolist(),
            offsets.dq_ah[:, j].tolist(),
            offsets.sigma_ah[:, j].tolist(),
            strict=True,
        )
        if (sigma < worst or g == 0) and g != OWN
    )
