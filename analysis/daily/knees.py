"""By how much charge each cell is behind, window by window of a day: top, middle and bottom."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analysis.daily.balancing import Balancing, observe_balancing
from analysis.daily.curves import LAG_S, Curve, fit_curve, lagged
from analysis.daily.grid import Grid, gridded
from analysis.daily.matching import Match, least_sigma, match
from analysis.daily.passes import Pass, pack_resistance, passes
from analysis.day import CleanDay, Mark
from analysis.frame import F64, Int

TOP_SPAN, BOTTOM_SPAN, MIDDLE_SPAN = 0.12, 0.16, 0.12
"""Parts of the rated charge: the windows at both ends of a pass, and the least span of the middle. [1]"""
TOP_V, BOTTOM_V = 3.36, 3.22
"""The knees begin above and below, free of current. [V] Common practice, no source."""
TOP_RISE_V, BOTTOM_RISE_V, MIDDLE_RISE_V = 0.015, 0.015, 0.006
"""A window tells nothing unless the curve rises by this within it. [V] Common practice, no source."""
SETTLE_FRACTION, KNEE_SETTLE_FRACTION = 0.15, 0.06
"""Charge after a turn that is left out on the plateau, and in a knee, where the curve is steeper: hysteresis
and slow polarisation rise there with the charge, and pose as shape. [1] Common practice, no source."""
OUT_V, OUT_PART = 0.010, 0.1
"""A cell that did not rise by this, or by this part of what the median cell rose by, stayed out of the knee.
[V], [1] Common practice, no source."""
VAGUE_FRACTION = 0.1
"""Standard deviation of its offset then, as part of the rated charge. [1]"""
TOP_PASS = 0.15
"""A charge shorter than this part of the rated charge cannot show a cell that is far behind. [1]"""
NEAR_FULL_V, PAUSE_S = 3.45, 150.0
"""A charge with a cell above this that pauses for so long is over. [V], [s] Common practice, no source."""
ALONE_V = 3.55
"""A charge in which a cell got above this is told even if the others stayed on the plateau. [V]"""
POINTS = 150
"""Points of a window that are matched."""
CURVE_POINTS = 400
"""Points of a pass from which its curve is made."""


@dataclass(frozen=True, slots=True)
class KneePass:
    """One window of one pass. Tuples hold one value a cell; NaN where there is none.

    Attributes
    ----------
    where : str
        "top", "middle" or "bottom".
    sign : int
        +1 on charge, −1 on discharge.
    mark : Mark
        Where the window weighs most: the counters there give its depth below the last full charge.
    end : Mark
        The end of the pass.
    temp_c, mean_a, end_a : float
        Mean cell temperature [°C], mean current in the window and current at the end of the pass [A].
    rise_v : float
        How far the common curve rises within the window. [V]
    dq_ah, sigma_ah, least_ah, most_ah : tuple of float
        As in `analysis.daily.matching.Match`; a limit that cannot be told is NaN. [Ah]
    dr_ohm, error_v : tuple of float
        Resistance [Ω] and reading [V] above the median cell's, as far as the window tells.
    extreme_v : tuple of float
        Highest (top) or lowest (bottom) voltage of each cell; for the middle the highest of a charge in which
        a cell came near its limit, else empty. [V]
    curve_v, curve_ah : tuple of float
        The knee's shape: compensated voltage [V] and charge relative to the median cell's last point [Ah];
        empty for the middle.
    """

    where: str
    sign: int
    mark: Mark
    end: Mark
    temp_c: float
    mean_a: float
    end_a: float
    rise_v: float
    dq_ah: tuple[float, ...]
    sigma_ah: tuple[float, ...]
    least_ah: tuple[float, ...]
    most_ah: tuple[float, ...]
    dr_ohm: tuple[float, ...]
    error_v: tuple[float, ...]
    extreme_v: tuple[float, ...]
    curve_v: tuple[float, ...]
    curve_ah: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class KneeDay:
    """The windows of a day and what balancing did.

    Attributes
    ----------
    passes : tuple of KneePass
        In time order.
    resistance_ohm : float
        Resistance of the typical cell over a few bins, used for compensation; not a result. [Ω]
    balancing : Balancing
    """

    passes: tuple[KneePass, ...]
    resistance_ohm: float
    balancing: Balancing


NOTHING = KneeDay((), float("nan"), Balancing("none", (), ()))
"""A day of which nothing is kept."""


def _rounded(values: F64, digits: int) -> tuple[float, ...]:
    finite = np.where(np.isfinite(values), values, np.nan)
    return tuple(np.round(finite, digits).tolist())


def _windows(charge: F64, curve: Curve, sign: int, rated_ah: float) -> list[tuple[str, Int]]:
    """Name the windows of a pass and pick their points."""
    low, high = float(charge.min()), float(charge.max())
    outer = curve.voltage_v
    top_from, bottom_to = high - TOP_SPAN * rated_ah, low + BOTTOM_SPAN * rated_ah
    long = high - low > TOP_PASS * rated_ah
    has_top = (
        sign > 0 and long and outer[-1] > TOP_V and outer[-1] - _value(curve, max(top_from, low)) > TOP_RISE_V
    )
    has_bottom = (
        sign < 0 and outer[0] < BOTTOM_V and _value(curve, min(bottom_to, high)) - outer[0] > BOTTOM_RISE_V
    )
    since = np.abs(charge - (low if sign > 0 else high))
    settled, nearly = since > SETTLE_FRACTION * rated_ah, since > KNEE_SETTLE_FRACTION * rated_ah
    found: list[tuple[str, Int]] = []
    if has_top:
        found.append(("top", np.flatnonzero((charge >= top_from) & nearly)))
    if has_bottom:
        found.append(("bottom", np.flatnonzero((charge <= bottom_to) & nearly)))
    inner = settled & (charge < max(_entered(curve, top_from, high), top_from) if has_top else settled)
    inner &= charge > bottom_to if has_bottom else settled
    index = np.flatnonzero(inner)
    if index.size:
        a, b = float(charge[index].min()), float(charge[index].max())
        if b - a > MIDDLE_SPAN * rated_ah and _value(curve, b) - _value(curve, a) > MIDDLE_RISE_V:
            found.append(("middle", index))
    return found


def _entered(curve: Curve, from_ah: float, high_ah: float) -> float:
    """Charge at which the median cell enters its upper knee. [Ah]"""
    foot, head = _value(curve, from_ah), _value(curve, high_ah)
    level = foot + max(OUT_V, OUT_PART * (head - foot))
    return float(np.interp(level, curve.voltage_v[curve.own], curve.charge_ah[curve.own]))


def _value(curve: Curve, charge_ah: float) -> float:
    return float(np.interp(charge_ah, curve.charge_ah, curve.voltage_v))


def _thinned(index: Int, voltage: F64, points: int) -> Int:
    """Take at most so many points, half of them evenly in time and half evenly in voltage."""
    if index.size <= points:
        return index
    even = np.linspace(0, index.size - 1, points // 2).astype(np.int64)
    path = np.cumsum(np.abs(np.diff(voltage, prepend=voltage[0])))
    steep = np.searchsorted(path, np.linspace(0, path[-1], points // 2)).clip(0, index.size - 1)
    return np.asarray(index[np.unique(np.concatenate((even, steep)))])


def _observe_window(
    day: CleanDay, grid: Grid, one: Pass, curve: Curve, where: str, inside: Int, r_ohm: float
) -> KneePass | None:
    rated = day.facts.rated_ah
    index = one.index[inside]
    base = curve.at(grid.charge_ah[index])
    picked = _thinned(np.arange(index.size), base, POINTS)
    if picked.size < 12:
        return None
    chosen = index[picked]
    cells = grid.cells_v[:, chosen].astype(np.float64)
    found = match(
        grid.charge_ah[chosen],
        grid.current_a[chosen],
        cells,
        curve,
        rated_ah=rated,
        r_ohm=r_ohm,
        sign=one.sign,
        settled_ah=rated * (SETTLE_FRACTION if where == "middle" else KNEE_SETTLE_FRACTION),
    )
    if where == "middle":
        least = least_sigma(grid.charge_ah[chosen], curve, rated)
        found = replace(found, sigma_ah=np.maximum(found.sigma_ah, least))
    found = _kept_out(found, curve, where, grid.charge_ah[index], rated)
    slope = np.abs(np.gradient(base[picked])) + 1e-9
    centre = int(chosen[min(int(np.searchsorted(np.cumsum(slope), slope.sum() / 2)), picked.size - 1)])
    middle = where == "middle"
    all_cells = grid.cells_v[:, one.index if middle else index]
    extreme = all_cells.min(axis=1) if where == "bottom" else all_cells.max(axis=1)
    told = not middle or (one.sign > 0 and float(np.nanmax(extreme)) > ALONE_V)
    temps = grid.temp_c[index]
    shape_v, shape_ah = ((), ()) if middle else _shape(curve, where, rated)
    return KneePass(
        where=where,
        sign=one.sign,
        mark=day.mark(int(grid.first[centre])),
        end=day.mark(int(grid.first[one.index[-1]])),
        temp_c=round(float(np.nanmean(temps)), 1) if np.isfinite(temps).any() else float("nan"),
        mean_a=round(float(grid.current_a[index].mean()), 1),
        end_a=round(float(grid.current_a[one.index[-3:]].mean()), 2),
        rise_v=round(float(base.max() - base.min()), 4),
        dq_ah=_rounded(found.dq_ah, 3),
        sigma_ah=_rounded(found.sigma_ah, 3),
        least_ah=_rounded(found.least_ah, 1),
        most_ah=_rounded(found.most_ah, 1),
        dr_ohm=_rounded(found.dr_ohm, 6),
        error_v=_rounded(found.error_v, 4),
        extreme_v=_rounded(extreme.astype(np.float64), 3) if told else (),
        curve_v=shape_v,
        curve_ah=shape_ah,
    )


def _kept_out(found: Match, curve: Curve, where: str, charge: F64, rated_ah: float) -> Match:
    """Cells that stayed on the plateau while the others were in the knee: they are at least so far behind.

    There the curve is so flat that its own errors decide where a cell fits best.
    """
    if where != "top":
        return found
    high = float(curve.charge_ah[curve.own][-1])
    entered = high - _entered(curve, float(charge.min()), high)
    out = found.dq_ah > entered
    lost = VAGUE_FRACTION * rated_ah
    return replace(
        found,
        sigma_ah=np.where(out, np.maximum(found.sigma_ah, lost), found.sigma_ah),
        least_ah=np.where(out, np.minimum(found.least_ah, 0.9 * entered), found.least_ah),
        most_ah=np.where(out, np.inf, found.most_ah),
    )


def _shape(curve: Curve, where: str, rated_ah: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """At most 16 points of the knee, evenly in voltage."""
    q, v = curve.charge_ah, curve.voltage_v
    reference = q[curve.own][-1] if where == "top" else q[curve.own][0]
    near = np.abs(q - reference) < 0.15 * rated_ah
    q, v = q[near], v[near]
    if q.size < 3:
        return (), ()
    levels = np.linspace(v[0], v[-1], 16)
    return _rounded(levels, 4), _rounded(np.interp(levels, v, q) - reference, 2)


def _first_end(grid: Grid, one: Pass) -> Pass:
    """A charge up to its first pause near full: after it the cells start from where they relaxed to."""
    if one.sign < 0 or one.index.size < 2:
        return one
    near_full = np.maximum.accumulate(grid.cells_v[:, one.index].max(axis=0)) > NEAR_FULL_V
    paused = np.diff(grid.time_s[one.index], prepend=grid.time_s[one.index[0]]) > PAUSE_S
    cut = np.flatnonzero(paused[1:] & near_full[:-1])
    return one if cut.size == 0 else Pass(one.sign, one.index[: int(cut[0]) + 1])


def _observe_pass(day: CleanDay, grid: Grid, one: Pass, currents: F64, r_ohm: float) -> list[KneePass]:
    rated = day.facts.rated_ah
    known = np.isfinite(grid.cells_v[:, one.index]).all(axis=0)
    one = _first_end(grid, Pass(one.sign, one.index[known]))
    if one.index.size < 12:
        return []
    charge = grid.charge_ah[one.index]
    rough = np.median(grid.cells_v[:, one.index[:: max(1, one.index.size // 400)]], axis=0)
    coarse = np.interp(np.arange(one.index.size), np.linspace(0, one.index.size - 1, rough.size), rough)
    picked = _thinned(np.arange(one.index.size), coarse, CURVE_POINTS)
    chosen = one.index[picked]
    curve = fit_curve(
        charge[picked],
        currents[:, chosen],
        grid.cells_v[:, chosen].astype(np.float64),
        rated_ah=rated,
        r_ohm=r_ohm,
        sign=one.sign,
    )
    if curve is None:
        return []
    made = (
        _observe_window(day, grid, one, curve, where, inside, r_ohm)
        for where, inside in _windows(charge, curve, one.sign, rated)
    )
    return [window for window in made if window is not None]


def observe_knees(day: CleanDay, grid: Grid | None = None) -> KneeDay:
    """Compare the cells in every pass of a day.

    Parameters
    ----------
    day : CleanDay
    grid : Grid or None
        `gridded(day)` if the caller has it.

    Returns
    -------
    KneeDay
        Without passes if there are fewer than 3 cells or too little moved.
    """
    grid = gridded(day) if grid is None else grid
    balancing = observe_balancing(day, grid)
    if day.frame.n_cells < 3 or grid.time_s.size < 8:
        return KneeDay((), float("nan"), balancing)
    rated = day.facts.rated_ah
    r_ohm = pack_resistance(grid, rated)
    currents = np.vstack((grid.current_a, *(lagged(grid.time_s, grid.current_a, lag) for lag in LAG_S)))
    found = [
        window for one in passes(grid, rated) for window in _observe_pass(day, grid, one, currents, r_ohm)
    ]
    return KneeDay(tuple(found), round(r_ohm, 7), balancing)
