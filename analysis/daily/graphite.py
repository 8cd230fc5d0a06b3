"""Where a curve of voltage over charge steps from one plateau of graphite's stages to the next."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from analysis.frame import F64, Bool

WIDTHS = (0.028, 0.045, 0.07, 0.11)
"""Widths w of a step that are tried, of the rated charge: the derivative falls to 42 % at w. [1]"""
LEAST_BINS = 12
EDGE = 0.9
"""The middle of a step lies at least this many widths from both ends of what was seen."""
HEIGHT_V = (0.012, 0.070)
"""Heights that are believed. [V] Practice: the graphite stages differ by 20 to 40 mV."""
STEEPER = 1.5
"""A step's own slope stands above that of the plateaus beside it by this. [1] Practice, no source."""
TRIED = 21
"""Middles tried for each width."""
LEAST_GAIN = 0.5
"""Part of what a straight line leaves unexplained that the step has to explain. [1] Practice, no source."""
INDEPENDENT = 4.0
"""Neighbouring bins that share an error."""
MOST_U = 0.012
"""A step whose middle is less sure is not one. [1] of the rated charge. Practice, no source."""
BEND = 0.02
"""Weight that holds the curve under a step straight: half a millivolt of noise against 3 mV of bend. [1]"""
AROUND = 2.5
"""A step found is fitted again with this many widths around it."""


@dataclass(frozen=True, slots=True)
class Step:
    """A step: V = a + b q + c q² + (height / 2) tanh((q − charge) / width).

    Attributes
    ----------
    charge_ah : float
        Its middle, where dV/dQ peaks. [Ah]
    u_ah : float
        Standard uncertainty, from what the curve leaves unexplained. [Ah]
    width_ah, height_v : float
        [Ah], [V]
    rest_v : float
        Standard deviation of what is left. [V]
    """

    charge_ah: float
    u_ah: float
    width_ah: float
    height_v: float
    rest_v: float


def _solved(charge: F64, rows: F64, centres: F64, widths: F64) -> tuple[F64, F64]:
    """Fit each row with each middle and width.

    Parameters
    ----------
    charge : array, shape (n,)
    rows : array, shape (r, n)
    centres, widths : array, shape (g,)

    Returns
    -------
    (coefficients, squares) : array, shape (g, 4, r) and (g, r)
        Of 1, q, q² (q scaled to −1 … 1) and the step; sums of squares of what is left.
    """
    q = (2 * charge - charge[0] - charge[-1]) / (charge[-1] - charge[0])
    design = np.empty((centres.size, charge.size, 4))
    design[..., 0], design[..., 1], design[..., 2] = 1.0, q, q * q
    design[..., 3] = np.tanh((charge - centres[:, None]) / widths[:, None])
    turned = design.transpose(0, 2, 1)
    y = (rows - rows.mean(axis=1, keepdims=True)).T
    right = turned @ y
    found = np.linalg.solve(turned @ design + np.diag((1e-6, 1e-6, BEND, 1e-6)), right)
    return np.asarray(found), np.asarray((y**2).sum(axis=0) - (found * right).sum(axis=1))


def _refined(centres: F64, squares: F64) -> tuple[F64, F64]:
    """Middle and curvature of the parabola through the least sum of squares of each row; NaN at an edge.

    Shapes are (r, TRIED) for both parameters, (r,) for both results.
    """
    at = np.argmin(squares, axis=1)
    inner = (at > 0) & (at < TRIED - 1)
    safe = np.where(inner, at, 1)
    row = np.arange(at.size)
    before, here, after = (squares[row, safe + i] for i in (-1, 0, 1))
    h = centres[:, 1] - centres[:, 0]
    curve = before - 2 * here + after
    good = inner & (curve > 0)
    bend = np.where(good, curve, 1.0)
    middle = centres[row, safe] + h * 0.5 * (before - after) / bend
    return np.where(good, middle, np.nan), np.where(good, curve / h**2, np.nan)


def _middles(charge: F64, widths: F64) -> tuple[F64, F64]:
    """Middles that are tried, shape (w, TRIED), for those widths that fit into the piece."""
    low, high = charge[0] + EDGE * widths, charge[-1] - EDGE * widths
    fits = high - low >= 0.25 * widths
    return np.linspace(low[fits], high[fits], TRIED, axis=1), widths[fits]


def _best(charge: F64, volts: F64, widths: F64) -> Step | None:
    """The width and middle that explain a piece best, if they explain it as a step."""
    q = (charge - charge.mean()) / (charge[-1] - charge[0])
    straight = volts - volts.mean() - q * float(q @ volts) / float(q @ q)
    centres, widths = _middles(charge, widths)
    if widths.size == 0:
        return None
    found, squares = _solved(charge, volts[None, :], centres.ravel(), np.repeat(widths, TRIED))
    squares = squares.reshape(widths.size, TRIED)
    coefficients = found[..., 0].reshape(widths.size, TRIED, 4)
    middles, curves = _refined(centres, squares)
    least = squares.min(axis=1)
    chosen = coefficients[np.arange(widths.size), squares.argmin(axis=1)]
    half, slope = chosen[:, 3], np.abs(chosen[:, 1]) * 2 / (charge[-1] - charge[0])
    with np.errstate(invalid="ignore"):
        good = np.isfinite(middles) & (least < (1 - LEAST_GAIN) * float(straight @ straight))
        good &= (2 * half > HEIGHT_V[0]) & (2 * half < HEIGHT_V[1]) & (half / widths > STEEPER * slope)
    if not good.any():
        return None
    i = int(np.argmin(np.where(good, least, np.inf)))
    variance = max(float(least[i]), 1e-12) / max(charge.size - 6, 1)
    return Step(
        charge_ah=round(float(middles[i]), 3),
        u_ah=round(math.sqrt(2 * variance * INDEPENDENT / float(curves[i])), 3),
        width_ah=float(widths[i]),
        height_v=round(2 * float(half[i]), 5),
        rest_v=round(math.sqrt(variance), 6),
    )


def find_step(charge_ah: F64, volts: F64, scale_ah: float) -> Step | None:
    """Find a step in a piece of the curve.

    Parameters
    ----------
    charge_ah : array, shape (n,)
        Charge, rising. [Ah]
    volts : array, shape (n,)
        Voltage free of load; NaN is left out. [V]
    scale_ah : float
        Rated charge, by which `WIDTHS` are meant. [Ah]

    Returns
    -------
    Step or None
        None where the piece is too short, shows no step, or only the flank of one.

    References
    ----------
    Staging of graphite as a rounded step (tanh) of its potential: Safari, Delacourt, J. Electrochem. Soc. 158
    (2011) A562 (form from memory). dV/dQ rather than dQ/dV: Bilfinger et al., eTransportation 22 (2024)
    100356.
    """
    known: Bool = np.isfinite(volts)
    q, v = charge_ah[known], volts[known]
    if q.size < LEAST_BINS or v.max() - v.min() < HEIGHT_V[0]:
        return None
    found = _best(q, v, scale_ah * np.array(WIDTHS))
    if found is None:
        return None
    near = np.abs(q - found.charge_ah) <= AROUND * found.width_ah
    if not near.all() and int(near.sum()) >= LEAST_BINS:
        closer = _best(q[near], v[near], np.array([found.width_ah]))
        if closer is not None:  # height and slope are alike so near: the first fit's height
            found = replace(closer, height_v=found.height_v)
    return found if found.u_ah <= MOST_U * scale_ah else None


def find_cells(charge_ah: F64, rows: F64, step: Step) -> F64:
    """Find where each cell passes a step that the median curve shows.

    Parameters
    ----------
    charge_ah : array, shape (n,)
        Charge, rising. [Ah]
    rows : array, shape (n_cells, n)
        Voltages free of load. [V]
    step : Step
        Of the median curve; its width is taken for all.

    Returns
    -------
    array, shape (n_cells,)
        Charge at its middle; NaN where none is found. [Ah]
    """
    near = np.isfinite(rows).all(axis=0) & (np.abs(charge_ah - step.charge_ah) <= AROUND * step.width_ah)
    q = charge_ah[near]
    if q.size < LEAST_BINS:
        return np.full(rows.shape[0], np.nan)
    centres, width = _middles(q, np.array([step.width_ah]))
    if width.size == 0:
        return np.full(rows.shape[0], np.nan)
    found, squares = _solved(q, rows[:, near], centres[0], np.repeat(width, TRIED))
    height = 2 * found[np.argmin(squares, axis=0), 3, np.arange(rows.shape[0])]
    middle, _ = _refined(np.repeat(centres, rows.shape[0], axis=0), squares.T)
    return np.where((height > HEIGHT_V[0]) & (height < HEIGHT_V[1]), middle, np.nan)
