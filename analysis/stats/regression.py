"""One slope through the origin with errors in both coordinates: the capacity between anchors."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.frame import F64


@dataclass(frozen=True, slots=True)
class Fit:
    """A fitted slope y = q x.

    Attributes
    ----------
    q : float
        Slope; with x a change of state of charge [1] and y a charge [Ah], the capacity [Ah].
    sd : float
        Its standard deviation; NaN where the method gives none.
    n : int
        Points used.
    """

    q: float
    sd: float
    n: int


def _prepared(x: ArrayLike, y: ArrayLike, *sigmas: ArrayLike) -> tuple[F64, ...]:
    xa = np.asarray(x, dtype=np.float64)
    if xa.ndim != 1 or xa.size < 1:
        raise ValueError("x must hold at least one point")
    out: list[F64] = [xa]
    for name in (y, *sigmas):
        other = np.broadcast_to(np.asarray(name, dtype=np.float64), xa.shape)
        out.append(other)
    for sigma in out[2:]:
        if np.any(sigma <= 0):
            raise ValueError("standard deviations must be above 0")
    return tuple(out)


def wls(x: ArrayLike, y: ArrayLike, sy: ArrayLike) -> Fit:
    """Fit with errors in y alone.

    Parameters
    ----------
    x, y : array, shape (n,)
        Change of state of charge [1] and charge [Ah].
    sy : array, shape (n,), or float
        Standard deviation of y. [Ah]

    Returns
    -------
    Fit

    Raises
    ------
    ValueError
        If there is no point or a standard deviation is not positive.

    References
    ----------
    Plett, "Recursive approximate weighted total least squares estimation of battery cell total capacity",
    J. Power Sources 196 (2011) 2319, section on weighted least squares (equations re-derived).
    """
    xa, ya, sya = _prepared(x, y, sy)
    c1 = float(np.sum(xa**2 / sya**2))
    return Fit(float(np.sum(xa * ya / sya**2)) / c1, math.sqrt(1 / c1), xa.size)


def tls(x: ArrayLike, y: ArrayLike, sx: float, sy: float) -> Fit:
    """Fit with errors in both, in constant ratio: closed form.

    Parameters and result as in `wtls`, with scalar standard deviations.

    References
    ----------
    Plett 2011 (see `wls`), section on total least squares: q = ½ (−a + sqrt(a² + 4/k²)).
    """
    xa, ya, _, _ = _prepared(x, y, sx, sy)
    k = sx / sy
    c1, c2, c3 = float(np.sum(xa**2)), float(np.sum(xa * ya)), float(np.sum(ya**2))
    a = (c1 - k**2 * c3) / (k**2 * c2)
    q = 0.5 * (-a + math.sqrt(a**2 + 4 / k**2))
    return Fit(q, _wtls_sd(q, xa, ya, np.full_like(xa, sx), np.full_like(ya, sy)), xa.size)


def _chi2(q: float, x: F64, y: F64, sx: F64, sy: F64) -> float:
    return float(np.sum((y - q * x) ** 2 / (sy**2 + q**2 * sx**2)))


def _wtls_sd(q: float, x: F64, y: F64, sx: F64, sy: F64) -> float:
    h = 1e-4 * abs(q) if q else 1e-4
    curvature = (_chi2(q + h, x, y, sx, sy) - 2 * _chi2(q, x, y, sx, sy) + _chi2(q - h, x, y, sx, sy)) / h**2
    return math.sqrt(2 / curvature) if curvature > 0 else math.nan


def wtls(x: ArrayLike, y: ArrayLike, sx: ArrayLike, sy: ArrayLike) -> Fit:
    """Fit with errors in both, each point with its own: minimise Σ (y − q x)² / (sy² + q² sx²).

    Parameters
    ----------
    x, y : array, shape (n,)
        Change of state of charge [1] and charge [Ah], of equal sign.
    sx, sy : array, shape (n,), or float
        Their standard deviations. [1], [Ah]

    Returns
    -------
    Fit
        `sd` from the curvature of the sum at its minimum.

    Raises
    ------
    ValueError
        If there is no point or a standard deviation is not positive.

    References
    ----------
    Plett 2011 (see `wls`), weighted total least squares; variance 2 / (d²χ²/dq²).

    Examples
    --------
    >>> round(wtls([0.8, 0.4], [224.0, 112.0], 0.01, 1.0).q, 6)
    280.0
    """
    xa, ya, sxa, sya = _prepared(x, y, sx, sy)
    q = wls(xa, ya, sya).q
    low, high = 0.5 * q, 1.5 * q
    ratio = (math.sqrt(5) - 1) / 2
    grid = np.linspace(low, high, 81)
    losses = [_chi2(float(g), xa, ya, sxa, sya) for g in grid]
    best = int(np.argmin(losses))
    low, high = float(grid[max(best - 1, 0)]), float(grid[min(best + 1, 80)])
    for _ in range(60):
        a, b = high - ratio * (high - low), low + ratio * (high - low)
        if _chi2(a, xa, ya, sxa, sya) < _chi2(b, xa, ya, sxa, sya):
            high = b
        else:
            low = a
    q = 0.5 * (low + high)
    return Fit(q, _wtls_sd(q, xa, ya, sxa, sya), xa.size)


def awtls(
    x: ArrayLike, y: ArrayLike, sx: ArrayLike, sy: ArrayLike, *, ratio: float, memory: float = 1.0
) -> Fit:
    """Fit as `wtls` does, approximately, by six running sums with fading memory.

    Parameters
    ----------
    x, y, sx, sy : array, shape (n,)
        As in `wtls`, in time order.
    ratio : float
        Typical sx / sy, by which y is scaled first. [1/Ah]
    memory : float
        Weight of an old point against the next one, ≤ 1.

    Returns
    -------
    Fit

    Raises
    ------
    ValueError
        If there is no point, a standard deviation is not positive, or no positive root exists.

    References
    ----------
    Plett 2011 (see `wls`), approximate weighted total least squares: quartic in q, and its variance.
    """
    xa, ya, sxa, sya = _prepared(x, y, sx, sy)
    ys, ss = ya * ratio, sya * ratio
    fade = memory ** np.arange(xa.size - 1, -1, -1, dtype=np.float64)
    c1, c2, c3 = (float(np.sum(fade * v / ss**2)) for v in (xa**2, xa * ys, ys**2))
    c4, c5, c6 = (float(np.sum(fade * v / sxa**2)) for v in (xa**2, xa * ys, ys**2))
    roots = np.roots([c5, 2 * c4 - c1 - c6, 3 * c2 - 3 * c5, c1 - 2 * c3 + c6, -c2])
    real = [float(r.real) for r in roots if abs(r.imag) < 1e-9 and r.real > 0]
    if not real:
        raise ValueError("no positive slope fits these points")

    def loss(q: float) -> float:
        top = c4 * q**4 - 2 * c5 * q**3 + (c1 + c6) * q**2 - 2 * c2 * q + c3
        return top / (q**2 + 1) ** 2

    q = min(real, key=loss)
    curvature = (2 / (q**2 + 1) ** 4) * (
        -2 * c5 * q**5
        + (3 * c1 - 6 * c4 + 3 * c6) * q**4
        + (-12 * c2 + 16 * c5) * q**3
        + (-8 * c1 + 10 * c3 + 6 * c4 - 8 * c6) * q**2
        + (12 * c2 - 8 * c5) * q
        + (c1 - 2 * c3 + c6)
    )
    sd = math.sqrt(2 / curvature) / ratio if curvature > 0 else math.nan
    return Fit(q / ratio, sd, xa.size)


def plateau_bound(noise_v: float, slope_v_per_soc: float, spans: ArrayLike) -> float:
    """Return the smallest relative standard deviation of a capacity read from plateau voltages.

    Parameters
    ----------
    noise_v : float
        Standard deviation of a voltage (noise, quantisation, hysteresis). [V]
    slope_v_per_soc : float
        Slope of the open-circuit voltage over state of charge. [V]
    spans : array, shape (n,)
        Changes of state of charge between the voltage pairs. [1]

    Returns
    -------
    float
        Bound on σ(Q) / Q; infinite for no span.

    References
    ----------
    Lin, Stefanopoulou, J. Electrochem. Soc. 162 (2015) A1879, eqs 14–15, Table I.

    Examples
    --------
    >>> round(plateau_bound(0.010, 0.17, [0.8]), 4)
    0.0735
    """
    total = float(np.sum(np.asarray(spans, dtype=np.float64) ** 2))
    return noise_v / (abs(slope_v_per_soc) * math.sqrt(total)) if total > 0 else math.inf
