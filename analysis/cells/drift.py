"""What the offsets of one cell say together: where it stands, what it lacks, how it drifts and since when."""

from __future__ import annotations

import math
from collections.abc import Generator, Sequence
from dataclasses import dataclass, replace
from itertools import islice
from typing import TypeAlias, TypeVar

import numpy as np

from analysis.cells.offsets import OWN, Offsets
from analysis.cells.window_fit import RATED_ERROR, Ask, Fit, Problem, fit_all, spread_of
from analysis.cells.windows import problem_of
from analysis.frame import F64
from analysis.stats.quantiles import student_quantile

BEND_EDGE_DAYS = 14.0
"""A later change of a drift lies at least this long before the last window. [days]"""
ONSET_EDGE_DAYS = 7.0
"""An onset lies at least this long before the last window. [days]"""
MOVED_FRACTION, BENT = 0.0025, 0.04
"""An onset is looked for when a drift moved the cell by this part of the rated charge, or when this part
of the windows lies off a straight line. [1]"""
SERIAL_MOST = 2.0
"""Serial correlation counts no more than this when an onset is judged: a bend leaves some itself. [1]"""
ONSET_GAIN, BEND_GAIN, SLOWER_GAIN = 5.0, 8.0, 25.0
"""An onset is taken when it improves the loss by this, in units of its scale; a second bend by that,
and by the last if the drift slows down: so does a cell that leaves its knee in the eyes of the plateau."""
HOPE = 1.0
"""No onset is looked for where weights held as they are promise less than this, in units of the scale."""
BEND_CHI = 1.15
"""A second bend is looked for where one leaves the residuals this wide (mean square). [1]"""
RETURN_AH_DAY = 0.2
"""After a bend a cell comes back no faster than this, by balancing. [Ah/day] 0.1 A for two hours."""
LEAST_OWN = 3
"""Runs down into the own knee from which on they cap a deficit."""
EARLY_DEPTH, SHAPED_FRACTION = 0.2, 0.02
"""A cell that is small as a whole falls behind in proportion to depth. One that has lost lithium shows all
that it lacks from the graphite's first step on, at about this depth below full; asked where the deficit is
at least such a part of the rated charge. [1] From memory of how cells age."""
EARLY_GAIN = 8.0
"""By how much lost lithium must fit better, in units of the scale, to be as likely as a small cell. [1]"""
KNOTS, PAIRS = 14, 7
"""Places tried first for one bend, and for each of two."""
MA_PER_AH_DAY = 1000.0 / 24.0
T = TypeVar("T")
Asking: TypeAlias = Generator[list[Ask], list[Fit], T]
"""What comes to a result by asking for fits: those of all cells are then made together."""


@dataclass(frozen=True, slots=True)
class Line:
    """One fitted number with its standard deviation."""

    value: float
    sd: float


@dataclass(frozen=True, slots=True)
class Drift:
    """Fit of one cell.

    Attributes
    ----------
    offset_ah : Line
        Offset behind the median cell at the top, at the last window. [Ah]
    deficit_ah : Line
        Capacity below the median cell's; sd infinite if the depths visited do not tell. [Ah]
    slope_ah_day : Line
        Drift of the offset since the onset, positive if it falls behind. [Ah/day]
    onset_day : float or None
        When it began, days since the epoch; None if it always drifted, as far as the record goes.
    onset_low, onset_high : float
        95 % interval of the onset; NaN without one.
    n : int
        Windows.
    span_days : float
        From the first to the last window.
    chi2 : float
        Weighted mean square of the residuals; near 1 if the stated uncertainties are right.
    flat_loss, line_loss, onset_loss : float
        Robust losses of no drift, a steady one, and one with an onset.
    """

    offset_ah: Line
    deficit_ah: Line
    slope_ah_day: Line
    onset_day: float | None
    onset_low: float
    onset_high: float
    n: int
    span_days: float
    chi2: float
    flat_loss: float
    line_loss: float
    onset_loss: float


@dataclass(frozen=True, slots=True)
class _Onset:
    """When a drift began, and when it took its present size if it changed [days before the last window].

    Then the interval of the beginning, what the places leave the present slope open by [Ah/day], and the fit.
    """

    at: float | None
    bend: float | None
    low: float
    high: float
    slope_sd: float
    fit: Fit


def _find_onset(problem: Problem, line: Fit) -> Asking[_Onset]:
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
    if spread_of(before.z) > BEND_CHI:
        twice = yield from _two_bends(problem, before, float(knots[best]) if one else None)
    if twice is not None:
        return twice
    if not one:
        return _none(line)
    inside, spread = _weighed(knots, losses, scale, [fit.beta[2] for fit in fits])
    return _Onset(float(knots[best]), None, float(inside.min()), float(inside.max()), spread, fits[best])


def _first_knots(problem: Problem) -> F64:
    return np.linspace(float(problem.t.min()) + 3, float(problem.t.max()) - ONSET_EDGE_DAYS, KNOTS)


def _may_bend(problem: Problem, line: Fit) -> bool:
    """Whether a search can come to anything: a look at all places with the windows' weights as they are.

    It misses none of the onsets in 195 records of simulated banks, 3120 cells, and spares nine searches in
    ten. Where residuals are wider than they should be, the weights themselves may hide a bend.
    """
    if spread_of(line.z) > BEND_CHI:
        return True
    shapes = np.maximum(problem.t, _first_knots(problem)[:, None])
    return float(line.gains(shapes).max()) >= HOPE * _scale(problem, line)


def _none(line: Fit) -> _Onset:
    return _Onset(None, None, math.nan, math.nan, 0.0, line)


def _scale(problem: Problem, fit: Fit) -> float:
    return spread_of(fit.z) * min(problem.inflation(fit.z), SERIAL_MOST) ** 2


def _weighed(knots: F64, losses: F64, scale: float, slopes: list[float]) -> tuple[F64, float]:
    """Knots that fit nearly as well as the best, and the spread of all slopes, by how well they fit."""
    excess = (losses - losses.min()) / scale
    order = np.argsort(knots)
    weight = np.exp(-excess[order] / 2) * np.maximum(np.gradient(knots[order]), 1e-6)
    values = np.array(slopes)[order]
    mean = float(weight @ values / weight.sum())
    return knots[excess < 4.0], math.sqrt(float(weight @ (values - mean) ** 2 / weight.sum()))


def _two_bends(problem: Problem, before: Fit, at: float | None) -> Asking[_Onset | None]:
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
    inside = np.array([a for (a, _), e in zip(pairs, excess, strict=True) if e < 4.0])
    begin, bend = pairs[best]
    spread = math.hypot(spread, 0.4 * slower)
    return _Onset(begin, bend, float(inside.min()), float(inside.max()), spread, fits[best])


def _over_own(problem: Problem, fit: Fit) -> float:
    """By how much a fitted cell lacks more than its own charge from full to its own knee leaves. [Ah]"""
    own = problem.offsets.group == OWN
    if int(own.sum()) < LEAST_OWN:
        return 0.0
    bias = -float(np.median(fit.z[own] * problem.sd[own])) - float(fit.bias[OWN])
    return bias if bias > 2 * RATED_ERROR * problem.rated_ah else 0.0


def _deficit(value: float, sd: float, over: float, rated_ah: float) -> Line:
    sd = math.hypot(sd, RATED_ERROR * rated_ah) if over else sd
    return Line(value, sd if sd < 0.08 * rated_ah else math.inf)


def fit_cells(
    offsets: Offsets, cells: Sequence[int], scatter: F64, rated_ah: float, *, corrected: bool = True
) -> list[Drift | None]:
    """Fit cells.

    Least squares with Huber weights: offset = a + D × depth + s × max(t − onset, 0), with a bias and a gain
    error of each kind of window held by priors, so that no number of windows makes a kind surer than it is.

    Parameters
    ----------
    offsets : Offsets
    cells : sequence of int
        Which, from 0.
    scatter : array
        `scatter_by_group(offsets, rated_ah)`. [Ah]
    rated_ah : float
        Rated capacity. [Ah]
    corrected : bool
        Take out what balancing did (the drift is then the leak itself).

    Returns
    -------
    list of Drift or None
        In the order of `cells`; None below `LEAST_WINDOWS` windows.

    References
    ----------
    Huber, "Robust estimation of a location parameter", Ann. Math. Stat. 35 (1964) 73 (weights; from memory).
    """
    problems = [problem_of(offsets, cell, scatter, rated_ah, corrected=corrected) for cell in cells]
    now = float(offsets.t_day.max())
    bled = [float(offsets.bleed_ah[-1, cell]) if corrected else 0.0 for cell in cells]
    made = _answered([_drift(p, now, b) for p, b in zip(problems, bled, strict=True) if p is not None])
    return [None if problem is None else made.pop(0) for problem in problems]


def _answered(asking: list[Asking[Drift]]) -> list[Drift]:
    """What each says in the end; the fits that they ask for on the way are made together."""
    done: dict[int, Drift] = {}
    answers: dict[int, list[Fit]] = {}
    while len(done) < len(asking):
        wanted: dict[int, list[Ask]] = {}
        for i, one in enumerate(asking):
            if i in done:
                continue
            try:
                wanted[i] = one.send(answers[i]) if i in answers else next(one)
            except StopIteration as end:
                done[i] = end.value
        fits = iter(fit_all([ask for asks in wanted.values() for ask in asks]))
        answers = {i: list(islice(fits, len(asks))) for i, asks in wanted.items()}
    return [done[i] for i in range(len(asking))]


def _drift(problem: Problem, now: float, bled: float) -> Asking[Drift]:
    """Fit one cell, its deficit in proportion to depth or from early on."""
    even = yield from _fitted(problem, now, bled)
    if abs(even.deficit_ah.value) < SHAPED_FRACTION * problem.rated_ah:
        return even
    depth = np.clip(problem.depth / EARLY_DEPTH, 0.0, 1.0)
    return _either(even, (yield from _fitted(replace(problem, depth=depth), now, bled)))


def _either(even: Drift, early: Drift) -> Drift:
    """The better of two fits; its deficit is as unsure as the choice leaves it."""
    scale = min(even.chi2, early.chi2)
    gain = (even.onset_loss - early.onset_loss) / scale
    odds = math.exp(min(max((gain - EARLY_GAIN) / 2, -30.0), 30.0))
    share = odds / (1 + odds)
    best = early if share > 0.5 else even
    a, b = even.deficit_ah, early.deficit_ah
    spread = math.sqrt(share * (1 - share)) * abs(a.value - b.value)
    return replace(best, deficit_ah=replace(best.deficit_ah, sd=math.hypot(best.deficit_ah.sd, spread)))


def _fitted(problem: Problem, now: float, bled: float) -> Asking[Drift]:
    """Fit with an onset and a change if these explain more than chance; times are from `now`. [days]"""
    rated_ah = problem.rated_ah
    span = float(problem.t.max() - problem.t.min())
    flat, line = yield [Ask(problem, drift=False), Ask(problem)]
    onset = _none(line)
    moved = abs(float(line.beta[2])) * span > MOVED_FRACTION * rated_ah
    moved = moved and flat.loss - line.loss > ONSET_GAIN
    bent = float(np.mean(np.abs(line.z) > 3.0)) > BENT
    if span > 2 * ONSET_EDGE_DAYS and (bent or (moved and _may_bend(problem, line))):
        onset = yield from _find_onset(problem, line)
    knot, early = (onset.at, None) if onset.bend is None else (onset.bend, onset.at)
    (fit,) = yield [Ask(problem, knot, early, rounds=2, start=onset.fit)]
    over = _over_own(problem, fit)
    sds = fit.sds(math.sqrt(spread_of(fit.z)) * problem.inflation(fit.z))
    return Drift(
        offset_ah=Line(float(fit.beta[0]) + bled, float(sds[0])),
        deficit_ah=_deficit(float(fit.beta[1]) - over, float(sds[1]), over, rated_ah),
        slope_ah_day=Line(float(fit.beta[2]), math.hypot(float(sds[2]), onset.slope_sd)),
        onset_day=None if onset.at is None else onset.at + now,
        onset_low=onset.low + now,
        onset_high=onset.high + now,
        n=int(problem.y.size),
        span_days=span,
        chi2=spread_of(fit.z),
        flat_loss=flat.loss,
        line_loss=line.loss,
        onset_loss=fit.loss,
    )


def interval(line: Line, dof: float) -> tuple[float, float]:
    """95 % interval of a fitted number.

    Parameters
    ----------
    line : Line
    dof : float
        Degrees of freedom, at least 2 are taken.

    Returns
    -------
    (float, float)
    """
    half = student_quantile(0.975, max(dof, 2.0)) * line.sd
    return line.value - half, line.value + half
