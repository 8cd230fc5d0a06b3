"""When a drift of a cell began, whether it changed or has grown since: what explains more than chance."""

from __future__ import annotations

import math
from collections.abc import Generator
from dataclasses import dataclass, replace
from typing import TypeAlias, TypeVar

import numpy as np

from analysis.cells.window_fit import Ask, Fit, Problem, spread_of
from analysis.frame import F64

BEND_EDGE_DAYS = 14.0
"""A later change of a drift lies at least this long before the last window. [days]"""
ONSET_EDGE_DAYS = 7.0
"""An onset lies at least this long before the last window. [days]"""
SERIAL_MOST = 2.0
"""Serial correlation counts no more than this when an onset is judged: a bend leaves some itself. [1]"""
ONSET_GAIN, BEND_GAIN, SLOWER_GAIN = 5.0, 8.0, 25.0
"""An onset is taken when it improves the loss by this, in units of its scale; a second bend by that,
and by the last if the drift slows down: so does a cell that leaves its knee in the eyes of the plateau."""
HOPE = 1.0
"""No onset is looked for where weights held as they are promise less than this, in units of the scale."""
BEND_CHI = 1.15
"""A second bend is looked for where one leaves the residuals this wide (mean square). [1]"""
GROWN_FRACTION = 0.03
"""Or where the drift moved the cell by this part of the rated charge: a leak that grows is told as it is."""
RAMP_DAYS, RAMP_GAIN = 28.0, 6.0
"""A drift that grows does so for this long at least, and has to fit better by this than one that began at
once; than one that changed later too, which needs a number more, no worse. [days], [1]"""
GROWING_DAYS = (7.0, 14.0, 21.0, 28.0, 42.0)
"""So long a leak may have grown to its size: it then began before it showed. [days] Practice, no source."""
RETURN_AH_DAY = 0.2
"""After a bend a cell comes back no faster than this, by balancing. [Ah/day] 0.1 A for two hours."""
INSIDE = 4.0
"""Places that fit worse by less than this, in units of the scale, are in the interval (chi-square, 95 %)."""
KNOTS, PAIRS = 14, 7
"""Places tried first for one bend, and for each of two."""
T = TypeVar("T")
Asking: TypeAlias = Generator[list[Ask], list[Fit], T]
"""What comes to a result by asking for fits: those of all cells are then made together."""


@dataclass(frozen=True, slots=True)
class Onset:
    """When a drift began, and when it took its present size if it changed [days before the last window].

    Then the interval of the beginning, what the places leave the present slope open by [Ah/day], and the fit.
    """

    at: float | None
    bend: float | None
    low: float
    high: float
    slope_sd: float
    fit: Fit
    ramp: bool = False


def find_onset(problem: Problem, line: Fit) -> Asking[Onset]:
    """Look for an onset; none if it does not explain more than chance."""
    first, last = float(problem.t.min()), float(problem.t.max())
    knots = _first_knots(problem)
    fits = yield [Ask(problem, float(knot)) for knot in knots]
    step = float(knots[1] - knots[0])
    for closer in (0.6, 0.2):
        best = int(np.argmin([fit.loss for fit in fits]))
        near = knots[best] + step * closer * np.array([-1.0, -0.5, 0.5, 1.0])
        near = near[(near < last - 0.5 * ONSET_EDGE_DAYS) & (near > first)]
        fits += yield [Ask(problem, float(knot)) for knot in near]
        knots = np.concatenate((knots, near))
    losses = np.array([fit.loss for fit in fits])
    best = int(np.argmin(losses))
    scale = _scale(problem, fits[best])
    one = (line.loss - losses[best]) / scale >= ONSET_GAIN
    before = fits[best] if one else line
    twice = None
    moved = abs(float(before.beta[2])) * (last - first if not one else -float(knots[best]))
    if spread_of(before.z) > BEND_CHI or moved > GROWN_FRACTION * problem.rated_ah:
        twice = yield from _two_bends(problem, before, float(knots[best]) if one else None)
    found = twice
    if found is None and one:
        inside, spread = _weighed(knots, losses, scale, [fit.beta[2] for fit in fits])
        ends = float(inside.min()), float(inside.max())
        found = Onset(float(knots[best]), None, *ends, spread, fits[best])
    found = no_onset(line) if found is None else _slow(problem, found)
    if moved > GROWN_FRACTION * problem.rated_ah:
        return (yield from _ramped(problem, found))
    return found


def _slow(problem: Problem, found: Onset) -> Onset:
    """An onset, its interval open to the past: a leak that grew over weeks shows late that it began.

    Looked at with the windows' weights as they are, so that it costs no fits.
    """
    if found.at is None:
        return found
    begins = np.linspace(float(problem.t.min()), found.at, 2 * KNOTS)
    starts, widths = (x.ravel() for x in np.meshgrid(begins, GROWING_DAYS))
    design = found.fit.design.copy()
    best = _explained(found.fit, design)
    if found.bend is not None:
        design[:, 3] = 0.0  # one drift that grew stands against two
    left = []
    for shape in _grown(problem.t, starts[:, None], widths[:, None]):
        design[:, 2] = shape
        left.append(best - _explained(found.fit, design))
    near = starts[np.array(left) / _scale(problem, found.fit) < INSIDE]
    return replace(found, low=min(found.low, float(near.min()))) if near.size else found


def _explained(fit: Fit, design: F64) -> float:
    """What a design explains of what was fitted, the weights as they are."""
    weighted = design.T * fit.weight
    right = weighted @ fit.target
    return float(right @ np.linalg.solve(weighted @ design + np.diag(fit.prior), right))


def _grown(t: F64, begin: F64, width: F64) -> F64:
    """What a drift that grew evenly from nothing, in so many days, to one a day made of the offset. [days]"""

    def made(at: F64) -> F64:
        growing = np.clip(at - begin, 0.0, width)
        return np.asarray(growing**2 / (2 * width) + np.maximum(at - begin - width, 0.0))

    return np.asarray(made(t) - made(np.zeros_like(begin)))


def _ramped(problem: Problem, found: Onset) -> Asking[Onset]:
    """A drift that grew evenly up to now, if it fits better; else what that leaves open of the present."""
    first, last = float(problem.t.min()), float(problem.t.max())
    if last - first < RAMP_DAYS:
        return found
    knots = np.linspace(first, last - RAMP_DAYS, KNOTS)
    fits = yield [Ask(problem, float(knot), ramp=True) for knot in knots]
    losses = np.array([fit.loss for fit in fits])
    best = int(np.argmin(losses))
    gain = (found.fit.loss - losses[best]) / _scale(problem, fits[best])
    least = RAMP_GAIN if found.bend is None else 0.0
    share = 1 / (1 + math.exp(min(max((least - gain) / 2, -30.0), 30.0)))
    apart = math.sqrt(share * (1 - share)) * abs(float(fits[best].beta[2] - found.fit.beta[2]))
    if share <= 0.5:
        return replace(found, slope_sd=math.hypot(found.slope_sd, apart))
    inside, spread = _weighed(knots, losses, _scale(problem, fits[best]), [fit.beta[2] for fit in fits])
    ends = float(inside.min()), float(inside.max())
    return Onset(float(knots[best]), None, *ends, math.hypot(spread, apart), fits[best], ramp=True)


def _first_knots(problem: Problem) -> F64:
    return np.linspace(float(problem.t.min()) + 3, float(problem.t.max()) - ONSET_EDGE_DAYS, KNOTS)


def may_bend(problem: Problem, line: Fit) -> bool:
    """Whether a search can come to anything: a look at all places with the windows' weights as they are.

    It misses none of the onsets in 195 records of simulated banks, 3120 cells, and spares nine searches in
    ten. Where residuals are wider than they should be, the weights themselves may hide a bend.
    """
    if spread_of(line.z) > BEND_CHI:
        return True
    shapes = np.maximum(problem.t, _first_knots(problem)[:, None])
    return float(line.gains(shapes).max()) >= HOPE * _scale(problem, line)


def no_onset(line: Fit) -> Onset:
    """A drift that is as old as the record, or none."""
    return Onset(None, None, math.nan, math.nan, 0.0, line)


def _scale(problem: Problem, fit: Fit) -> float:
    return spread_of(fit.z) * min(problem.inflation(fit.z), SERIAL_MOST) ** 2


def _weighed(knots: F64, losses: F64, scale: float, slopes: list[float]) -> tuple[F64, float]:
    """Knots that fit nearly as well as the best, and the spread of all slopes, by how well they fit."""
    excess = (losses - losses.min()) / scale
    order = np.argsort(knots)
    weight = np.exp(-excess[order] / 2) * np.maximum(np.gradient(knots[order]), 1e-6)
    values = np.array(slopes)[order]
    mean = float(weight @ values / weight.sum())
    return knots[excess < INSIDE], math.sqrt(float(weight @ (values - mean) ** 2 / weight.sum()))


def _two_bends(problem: Problem, before: Fit, at: float | None) -> Asking[Onset | None]:
    """A drift that began and then changed, if that explains more than chance: a leak that grew or stopped."""
    first, last = float(problem.t.min()), float(problem.t.max())
    if last - first < 3 * BEND_EDGE_DAYS:
        return None
    begins = np.linspace(first, last - 2 * BEND_EDGE_DAYS, PAIRS)
    begins = begins if at is None else np.unique(np.append(begins, at))
    ends = np.linspace(first + ONSET_EDGE_DAYS, last - BEND_EDGE_DAYS, PAIRS)
    pairs = [(float(a), float(b)) for a in begins for b in ends if b - a >= ONSET_EDGE_DAYS]
    if not pairs:
        return None
    fits = yield [Ask(problem, b, a) for a, b in pairs]
    best = int(np.argmin([fit.loss for fit in fits]))
    step_a, step_b = float(begins[-1] - begins[0]) / PAIRS, float(ends[1] - ends[0])
    steps = ((-0.4, 0.0), (0.4, 0.0), (0.0, -0.4), (0.0, 0.4), (-0.4, -0.4), (0.4, 0.4))
    near = [(pairs[best][0] + da * step_a, pairs[best][1] + db * step_b) for da, db in steps]
    near = [(a, b) for a, b in near if first <= a and b <= last - 0.7 * BEND_EDGE_DAYS and b - a >= 5.0]
    pairs += near
    fits += yield [Ask(problem, b, a) for a, b in near]
    kept = [
        i for i, fit in enumerate(fits) if fit.beta[2] * fit.beta[3] > 0 or abs(fit.beta[2]) < RETURN_AH_DAY
    ]
    if not kept:
        return None
    fits, pairs = [fits[i] for i in kept], [pairs[i] for i in kept]
    losses = np.array([fit.loss for fit in fits])
    best = int(np.argmin(losses))
    scale = _scale(problem, fits[best])
    early, late = float(fits[best].beta[3]), float(fits[best].beta[2])
    slower = max(abs(early) - abs(late), 0.0)
    least = SLOWER_GAIN if slower > 0.2 * abs(early) else BEND_GAIN
    if (before.loss - losses[best]) / scale < least:
        return None
    excess = (losses - losses[best]) / scale
    weight = np.exp(-excess / 2)
    slopes = np.array([fit.beta[2] for fit in fits])
    mean = float(weight @ slopes / weight.sum())
    spread = math.sqrt(float(weight @ (slopes - mean) ** 2 / weight.sum()))
    inside = np.array([a for (a, _), e in zip(pairs, excess, strict=True) if e < INSIDE])
    begin, bend = pairs[best]
    spread = math.hypot(spread, 0.4 * slower)
    return Onset(begin, bend, float(inside.min()), float(inside.max()), spread, fits[best])
