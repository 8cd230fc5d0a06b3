"""The pack's own curve of voltage over charge in one pass, freed of current and its after-effects."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from analysis.frame import F64, Int

KNOT_FRACTION = 0.06
"""Spacing of the knots on the plateau, of the rated charge: wide, so that changes of current do not get
into the curve. [1]"""
JOIN_V, JOIN_PART, JOIN_FRACTION, JOIN_WORST = 0.002, 0.1, 0.02, 0.01
"""The continuation is joined where the furthest cell crosses the median cell's last voltage: to so many
volts, and to this part of the voltage drop. How much charge that is tells the slope over this part of the
rated charge; more than that part of it, on a plateau, is no join. [V], [1], [1], [1] Practice, no source."""
KNEE_V = 0.02
"""Where the curve stands so far off its middle it may be wrong by twice as much, and so on: in a knee the
voltage drop is not linear. [V] Common practice, no source."""
KNOT_V = 0.02
"""Where the curve is steep a knot follows every so many volts of measured rise. [V]"""
LAG_S = (40.0, 900.0)
"""Time constants of the two slow parts of the voltage drop. [s] From memory of pulse tests."""
PRIOR = (1.0, 0.4, 0.8)
"""Prior of the prompt and the two slow parts, in units of the typical resistance, each ± its own size."""


@dataclass(frozen=True, slots=True)
class Curve:
    """The common curve.

    Attributes
    ----------
    charge_ah, voltage_v : array, shape (k,)
        Net charge counter, increasing [Ah], and voltage free of current, not decreasing [V]; continued past
        the median cell's end by the cell that went further.
    own : slice
        The points that the median cell itself reached.
    resistance_ohm : tuple of float
        Prompt and slow resistances that were taken out. [Ω]
    rest_v : float
        Standard deviation of what the curve leaves unexplained. [V]
    join_ah : float
        Standard deviation of the place at which the continuation is joined; 0 without one. [Ah]
    open_end : bool
        The curve ended on the plateau, where equal voltage is not equal charge: what lies beyond is unknown.
    """

    charge_ah: F64
    voltage_v: F64
    own: slice
    resistance_ohm: tuple[float, ...]
    rest_v: float
    join_ah: float = 0.0
    open_end: bool = False

    def at(self, charge_ah: F64) -> F64:
        """Voltage at a charge; both ends continue straight. [V]"""
        q, v = self.charge_ah, self.voltage_v
        out = np.interp(charge_ah, q, v)
        low_slope = (v[1] - v[0]) / (q[1] - q[0])
        high_slope = (v[-1] - v[-2]) / (q[-1] - q[-2])
        out = out - low_slope * np.maximum(q[0] - charge_ah, 0.0)
        return np.asarray(out + high_slope * np.maximum(charge_ah - q[-1], 0.0))


def lagged(time_s: F64, current_a: F64, lag_s: float) -> F64:
    """Current as a first-order lag sees it.

    Parameters
    ----------
    time_s, current_a : array, shape (m,)
        A NaN current counts as 0; a gap lets the lag decay. [s], [A]
    lag_s : float
        Time constant. [s]

    Returns
    -------
    array, shape (m,)
        Starting from 0. [A]
    """
    step = max(1, time_s.size // 1500)
    t, i = time_s[::step], np.nan_to_num(current_a)
    blocks = np.add.reduceat(i, np.arange(0, i.size, step)) / np.minimum(
        step, i.size - np.arange(0, i.size, step)
    )
    keep = np.exp(-np.diff(t) / lag_s).tolist()
    state = 0.0
    out = [state]
    for part, fresh in zip(keep, blocks[:-1].tolist(), strict=True):
        state = part * state + (1 - part) * fresh
        out.append(state)
    return np.asarray(np.interp(time_s, t, np.array(out)), dtype=np.float64)


def _knots(charge: F64, voltage: F64, rated_ah: float) -> F64:
    """Knots evenly in charge, closer where the voltage rises."""
    order = np.argsort(charge, kind="stable")
    q, v = charge[order], voltage[order]
    width = max(5, q.size // 40)
    smooth = np.convolve(np.pad(v, width, mode="edge"), np.ones(2 * width + 1) / (2 * width + 1), "valid")
    rise = np.maximum(np.diff(np.maximum.accumulate(smooth), prepend=smooth[0]), 0.0)
    path = np.cumsum(rise) / KNOT_V + (q - q[0]) / (KNOT_FRACTION * rated_ah)
    count = int(np.clip(path[-1], 3, 45))
    at = np.searchsorted(path, np.linspace(0, path[-1], count + 1)).clip(0, q.size - 1)
    knots = np.unique(q[at])
    keep = np.concatenate(([True], np.diff(knots) > 1e-4 * rated_ah))
    return np.asarray(knots[keep])


def _hats(charge: F64, knots: F64) -> F64:
    """Weights of linear interpolation, shape (m, k)."""
    k = np.clip(np.searchsorted(knots, charge, side="right") - 1, 0, knots.size - 2)
    part = (charge - knots[k]) / (knots[k + 1] - knots[k])
    out = np.zeros((charge.size, knots.size))
    rows = np.arange(charge.size)
    out[rows, k] = 1 - part
    out[rows, k + 1] = part
    return out


def fit_curve(
    charge_ah: F64, currents_a: F64, cells_v: F64, *, rated_ah: float, r_ohm: float, sign: int
) -> Curve | None:
    """Separate a pass into voltage over charge and voltage by current.

    Least squares: V_med(t) = F(q(t)) + Σ R_k I_k(t), with F piecewise linear and I_k the current and its
    lagged forms; the R_k are held by a prior, so that a pass of constant current still has an answer.

    Parameters
    ----------
    charge_ah : array, shape (m,)
        Net charge counter. [Ah]
    currents_a : array, shape (3, m)
        Current and its two lagged forms. [A]
    cells_v : array, shape (n_cells, m)
        Voltages without NaN. [V]
    rated_ah : float
        Rated capacity. [Ah]
    r_ohm : float
        Typical resistance over a few seconds. [Ω]
    sign : int
        +1 charge, −1 discharge.

    Returns
    -------
    Curve or None
        None if the pass has too few points for a curve.
    """
    middle = np.median(cells_v, axis=0)
    guess = np.array(PRIOR) * r_ohm
    knots = _knots(charge_ah, middle - guess @ currents_a, rated_ah)
    if knots.size < 4 or charge_ah.size < knots.size + 6:
        return None
    design = np.hstack((_hats(charge_ah, knots), currents_a.T))
    penalty = np.zeros((3 + knots.size - 2, design.shape[1]))
    penalty[:3, -3:] = np.diag(0.003 / (0.6 * guess))
    for i in range(knots.size - 2):
        a, b = knots[i + 1] - knots[i], knots[i + 2] - knots[i + 1]
        bend = 0.004 * min(a, b)
        penalty[3 + i, i : i + 3] = np.array((1 / a, -1 / a - 1 / b, 1 / b)) * bend
    target = np.concatenate((middle, 0.003 / (0.6 * guess) * guess, np.zeros(knots.size - 2)))
    away = np.abs(target[: middle.size] - guess @ currents_a - np.median(middle - guess @ currents_a))
    weight = np.concatenate((1.0 / (1.0 + away / KNEE_V), np.ones(penalty.shape[0])))
    solution = np.linalg.lstsq(np.vstack((design, penalty)) * weight[:, None], target * weight, rcond=None)[0]
    r = solution[-3:]
    rest = float(np.sqrt(np.mean((weight[: middle.size] * (middle - design @ solution)) ** 2)))
    voltage = _rising(np.asarray(solution[:-3], dtype=np.float64))
    lead = _leader(cells_v, sign)
    free = cells_v[lead] - r @ currents_a
    own = Curve(knots, voltage, slice(0, knots.size), tuple(float(x) for x in r), rest)
    drop = r_ohm * float(np.mean(np.abs(currents_a[0])))
    return _continued(own, charge_ah, free, sign, math.hypot(JOIN_V, rest, JOIN_PART * drop), rated_ah)


def _leader(cells_v: F64, sign: int) -> int:
    last = max(3, cells_v.shape[1] // 50)
    return int(np.argmax(sign * np.median(cells_v[:, -last:], axis=1)))


def _rising(y: F64) -> F64:
    """A curve that never falls: mean of the running maximum and minimum."""
    up = np.maximum.accumulate(y)
    down = np.minimum.accumulate(y[::-1])[::-1]
    return np.asarray((up + down) / 2)


def _continued(own: Curve, charge: F64, free: F64, sign: int, join_v: float, rated_ah: float) -> Curve:
    """Append the part of the furthest cell beyond the median cell's end, joined at equal voltage."""
    knots, voltage = own.charge_ah, own.voltage_v
    edge, end_v = (knots[-1], voltage[-1]) if sign > 0 else (knots[0], voltage[0])
    back = JOIN_FRACTION * rated_ah
    slope = abs(end_v - float(np.interp(edge - sign * back, knots, voltage))) / back
    join_ah = join_v / max(slope, 1e-6)
    if join_ah > JOIN_WORST * rated_ah:
        return replace(own, open_end=True)
    way = np.maximum.accumulate(sign * free)
    join = int(np.searchsorted(way, sign * end_v))
    far = float(way[-1] - sign * end_v)
    if far < 0.004 or join >= charge.size - 4:
        return own
    steps = sign * end_v + np.linspace(0, far, max(3, min(16, int(far / KNOT_V) + 2)))[1:]
    beyond: Int = np.searchsorted(way, steps - 1e-9).clip(join, charge.size - 1)
    x, y = charge[beyond] + edge - charge[join], sign * steps
    least = 1e-4 * rated_ah
    good = np.concatenate(([True], sign * np.diff(x) > least)) & (sign * (x - edge) > least)
    x, y = x[good][::sign], y[good][::sign]
    parts = ((knots, x), (voltage, y)) if sign > 0 else ((x, knots), (y, voltage))
    first = 0 if sign > 0 else x.size
    return Curve(
        np.concatenate(parts[0]),
        np.concatenate(parts[1]),
        slice(first, first + knots.size),
        own.resistance_ohm,
        own.rest_v,
        join_ah,
    )
