"""Heater activity without a heater bit: cells that warm in the cold with no current to warm them."""

from __future__ import annotations

from typing import Literal

import numpy as np

from analysis.daily.minutes import Minutes, believable, row_median
from analysis.frame import F64, Bool

HALF_WIDTH = 8
"""Warming is the change over this many minutes to either side. [min]"""
LEAST_SLOPE = 1.2
"""Warming that neither weather nor current explains. [K/h] Practice, no source; a 60 W heater on a pack of
280 Ah gives about 2.4 K/h (60 W over 25 Wh/K)."""
WARMEST_C = 18.0
"""No pack heats its cells above this. [°C] Practice, no source."""
CELL_OHM, HEAT_WH_PER_K = 0.8e-3, 27.0
"""Of a cell of 280 Ah in the cold, and of 16 of them: 16 × 5.4 kg × about 1050 J/kg/K (from memory), and a
twelfth more for plates, frame and wires (practice)."""
TAU_S = 6 * 3600.0
"""A short time constant of a pack in its surroundings: warm air shall not pass for a heater. [s]"""
LEAST_WATTS = 15.0


def smooth(values: F64, width: int) -> F64:
    """Centred moving mean over `width` minutes that leaves NaN out; NaN where nothing is known."""
    good = np.isfinite(values)
    total = np.concatenate(([0.0], np.cumsum(np.where(good, values, 0.0))))
    count = np.concatenate(([0], np.cumsum(good)))
    index = np.arange(values.size)
    low, high = np.maximum(index - width // 2, 0), np.minimum(index + width // 2 + 1, values.size)
    n = count[high] - count[low]
    return np.where(n > 0, (total[high] - total[low]) / np.maximum(n, 1), np.nan)


def excess_slope(minutes: Minutes, rated_ah: float) -> F64:
    """Warming of the median cell sensor beyond what current and warm air explain.

    Parameters
    ----------
    minutes : Minutes
    rated_ah : float
        [Ah]

    Returns
    -------
    array, shape (m,)
        NaN where unknown. [K/h]
    """
    cells = np.where(believable(minutes.cell_temps_c), minutes.cell_temps_c, np.nan)
    middle = smooth(row_median(cells), 5)
    m = middle.size
    if m <= 2 * HALF_WIDTH:
        return np.full(m, np.nan)
    slope = np.full(m, np.nan)
    slope[HALF_WIDTH:-HALF_WIDTH] = (middle[2 * HALF_WIDTH :] - middle[: -2 * HALF_WIDTH]) * 30 / HALF_WIDTH
    scale = rated_ah / 280.0
    joule = 16 * CELL_OHM / scale * np.nan_to_num(smooth(minutes.current_a, 30)) ** 2
    warm_air = np.zeros(m)
    if minutes.ambient_source in {"pack", "witness"}:
        warm_air = np.maximum(np.nan_to_num(minutes.ambient_c - middle), 0.0) * 3600 / TAU_S
    out: F64 = slope - joule / (HEAT_WH_PER_K * scale) - warm_air
    out[~(middle < WARMEST_C)] = np.nan
    return out


def _joined(on: Bool, shortest: int, bridge: int) -> Bool:
    """Bridge pauses up to `bridge` minutes, then drop stretches below `shortest` minutes."""
    out = on.copy()
    for value, limit in ((False, bridge), (True, shortest)):
        edges = np.flatnonzero(np.diff(out.astype(np.int8))) + 1
        bounds = np.concatenate(([0], edges, [out.size]))
        for a, b in zip(bounds[:-1].tolist(), bounds[1:].tolist(), strict=True):
            inner = a > 0 and b < out.size
            if bool(out[a]) is value and b - a < limit and (inner or value):
                out[a:b] = not value
    return out


def guess(minutes: Minutes, rated_ah: float) -> tuple[Literal["current", "warming", "none"], F64]:
    """Say in which minutes the cells were heated.

    Parameters
    ----------
    minutes : Minutes
    rated_ah : float
        [Ah]

    Returns
    -------
    (str, array of shape (m,))
        "current" where steps in the current agree and sharpen the ends, "warming" where only the
        temperatures tell, "none" without temperatures; and the duty. [1]
    """
    m = minutes.time_s.size
    slope = excess_slope(minutes, rated_ah)
    if not np.isfinite(slope).any():
        return "none", np.zeros(m)
    with np.errstate(invalid="ignore"):
        hot = slope > LEAST_SLOPE
    on = _joined(hot, shortest=HALF_WIDTH, bridge=6)
    if not on.any():
        return "warming", np.zeros(m)
    on = _half_height(slope, on)
    sharpened = _sharpened(minutes, on)
    if sharpened is not None:
        return "current", sharpened.astype(np.float64)
    return "warming", on.astype(np.float64)


def _bounds(on: Bool) -> list[tuple[int, int]]:
    change = np.diff(np.concatenate(([0], on.astype(np.int8), [0])))
    return list(zip(np.flatnonzero(change == 1).tolist(), np.flatnonzero(change == -1).tolist(), strict=True))


def _half_height(slope: F64, on: Bool) -> Bool:
    """Let each stretch begin and end where the warming crosses half of its own height."""
    out = np.zeros_like(on)
    for a, b in _bounds(on):
        wide = slice(max(a - 2 * HALF_WIDTH, 0), min(b + 2 * HALF_WIDTH, on.size))
        part = np.nan_to_num(slope[wide], nan=-9.0)
        base = float(np.median(part[:HALF_WIDTH])) if part.size > 2 * HALF_WIDTH else 0.0
        level = 0.5 * (float(np.percentile(part, 85)) + min(base, 0.0))
        above = np.flatnonzero(part > level)
        if above.size:
            out[wide.start + above[0] : wide.start + above[-1] + 1] = True
    return out


def _power(minutes: Minutes) -> F64:
    return minutes.current_a * minutes.voltage_v


def _fall(power: F64, k: int) -> float:
    """Fall of the power between the three minutes before and the three after minute `k`. [W]"""
    a, b = power[max(k - 3, 0) : k], power[k + 1 : k + 4]
    a, b = a[np.isfinite(a)], b[np.isfinite(b)]
    return float(np.median(a) - np.median(b)) if a.size and b.size else float("nan")


def _best_edge(power: F64, k: int, sign: int) -> tuple[int, float]:
    """The largest step of the wanted sign near minute `k`: its minute and size. [W]"""
    candidates = range(max(k - 12, 3), min(k + 8, power.size - 4))
    sizes = [(sign * _fall(power, j), j) for j in candidates]
    known = [s for s in sizes if np.isfinite(s[0])]
    if not known:
        return k, float("nan")
    size, at = max(known)
    return at, size


def _sharpened(minutes: Minutes, on: Bool) -> Bool | None:
    """Move the ends to steps in the current if most of them are of one size; None if not."""
    power = _power(minutes)
    bounds = [(a, b) for a, b in _bounds(on) if a > 3 and b < on.size - 4]
    if len(bounds) < 2:
        return None
    edges = [(_best_edge(power, a, 1), _best_edge(power, b, -1)) for a, b in bounds]
    sizes = np.array([size for pair in edges for _, size in pair])
    middle = float(np.nanmedian(sizes)) if np.isfinite(sizes).any() else 0.0
    agree = np.abs(sizes - middle) <= 0.2 * middle
    if middle < LEAST_WATTS or float(np.mean(agree)) < 0.6:
        return None
    out = on.copy()
    for (a, b), ((ka, sa), (kb, sb)) in zip(bounds, edges, strict=True):
        first = ka if abs(sa - middle) <= 0.2 * middle else a
        last = kb if abs(sb - middle) <= 0.2 * middle else b
        if first < last:
            out[min(a, first) : max(b, last)] = False
            out[first:last] = True
    return out


def edge_watts(minutes: Minutes, on: Bool) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Power from the current around each guessed switching.

    Parameters
    ----------
    minutes : Minutes
    on : array, shape (m,)
        Minutes with the heater on.

    Returns
    -------
    (tuple of float, tuple of float)
        Power, positive when the heater takes it [W], and when: seconds since the day's start, negative
        for switching off [s]. Empty without a switching inside the day.
    """
    power = _power(minutes)
    out: list[tuple[float, float]] = []
    for a, b in _bounds(on):
        if a > 3:
            out.append((_fall(power, a), 60.0 * a))
        if b < on.size - 4:
            out.append((-_fall(power, b), -60.0 * b))
    known = [(round(w, 1), t) for w, t in out if np.isfinite(w)][:40]
    return tuple(w for w, _ in known), tuple(t for _, t in known)
