"""What the offsets of one cell say together: where it stands, what it lacks, how it drifts and since when."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import islice

import numpy as np

from analysis.cells.offsets import GROUPS, OWN, TOP, Offsets
from analysis.cells.onset import ONSET_EDGE_DAYS, ONSET_GAIN, Asking, find_onset, may_bend, no_onset
from analysis.cells.window_fit import RATED_ERROR, Ask, Fit, Problem, fit_all, spread_of
from analysis.cells.windows import problem_of
from analysis.frame import F64
from analysis.stats.quantiles import student_quantile

MOVED_FRACTION, BENT = 0.0025, 0.04
"""An onset is looked for when a drift moved the cell by this part of the rated charge, or when this part
of the windows lies off a straight line. [1]"""
ALONE = 0.1
"""A drift before the bend slower than this part of the later one is none: it began at the bend. [1]"""
BEND_SD_DAYS = 4.0
"""Standard deviation of the place of such a bend. [days]"""
LEAST_OWN = 3
"""Runs down into the own knee from which on they cap a deficit."""
EARLY_DEPTH, SHAPED_FRACTION = 0.2, 0.02
"""A cell that is small as a whole falls behind in proportion to depth. One that has lost lithium shows all
that it lacks from the graphite's first step on, at about this depth below full; asked where the deficit is
at least such a part of the rated charge. [1] From memory of how cells age."""
EARLY_GAIN = 8.0
"""By how much lost lithium must fit better, in units of the scale, to be as likely as a small cell. [1]"""
CHANCE = (2.71, 4.61, 6.25, 7.78)
"""Chi-square that one time in ten is exceeded, of 1 to 4 numbers (any table of it). [1]"""
UNLIKE = 0.025
"""A cell whose graphite is another than the others' stands apart on the plateau by so much of the rated
charge (standard deviation), as one that is smaller does. [1] From simulated banks with cells of two kinds,
where it was 4.6 %."""
MA_PER_AH_DAY = 1000.0 / 24.0


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
    bend_day : float or None
        When the drift took its present size, if it had another one since the onset; days since the epoch.
    earlier_ah_day : float or None
        That other one. [Ah/day]
    ramp : bool
        Whether it grew evenly from the onset to now; `slope_ah_day` is then what it is now.
    apart : float
        By how much the kinds of window contradict each other about the deficit, which is so much less sure; 1
        if no more than by chance.
    unlike_ah : float
        What a cell of another graphite than the others' would show as a deficit, where the plateau alone
        compares; 0 where a lower knee does too. No cell is called small for less. [Ah]
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
    bend_day: float | None = None
    earlier_ah_day: float | None = None
    ramp: bool = False
    apart: float = 1.0
    unlike_ah: float = 0.0


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


def _apart(problem: Problem, fit: Fit) -> float:
    """By how much the kinds of window differ beyond what each may be biased by, and chance; at least 1.

    Where steps of a plateau and the way down to the knee tell different deficits, one of them is wrong.
    """
    below = np.unique(problem.offsets.group[problem.offsets.group != TOP])
    if below.size < 2:
        return 1.0
    off = fit.bias[below] / problem.prior_sd(drift=True)[3:][below]
    return math.sqrt(max(float(np.sum(off**2)) / CHANCE[below.size - 2], 1.0))


def _loosened(problem: Problem, fit: Fit, apart: float) -> Fit:
    """The same fit with what kinds of window off the top may be wrong by so many times as large."""
    prior = fit.prior.copy()
    first = fit.beta.size + int(np.any(problem.offsets.group == TOP))
    prior[first:] /= apart**2
    return replace(fit, prior=prior)


def _unlike(problem: Problem) -> float:
    """What a deficit told by the plateau alone may be wrong by: no comparison on the way down. [Ah]"""
    group = problem.offsets.group
    if np.array([where in ("bottom", "own") for where, _ in GROUPS])[group].any() or not (group != TOP).any():
        return 0.0
    return UNLIKE * problem.rated_ah / max(float(np.median(problem.depth[group != TOP])), 0.1)


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
    early = np.clip(problem.depth / EARLY_DEPTH, 0.0, 1.0)
    depth = np.where(problem.offsets.group == TOP, 0.0, early)  # the upper knee is the cathode's
    return _either(even, (yield from _fitted(replace(problem, depth=depth), now, bled)))


def _course(one: Drift) -> tuple[bool, bool, bool]:
    """Of what make a drift is: with an onset, with a change, growing."""
    return one.onset_day is not None, one.bend_day is not None, one.ramp


def _either(even: Drift, early: Drift) -> Drift:
    """The better of two fits; its deficit is as unsure as the choice leaves it."""
    scale = min(even.chi2, early.chi2)
    alike = _course(even) == _course(early)  # else a change of the drift would pose as the better shape
    gain = (even.onset_loss - early.onset_loss if alike else even.line_loss - early.line_loss) / scale
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
    onset = no_onset(line)
    moved = abs(float(line.beta[2])) * span > MOVED_FRACTION * rated_ah
    moved = moved and flat.loss - line.loss > ONSET_GAIN
    bent = float(np.mean(np.abs(line.z) > 3.0)) > BENT
    if span > 2 * ONSET_EDGE_DAYS and (bent or (moved and may_bend(problem, line))):
        onset = yield from find_onset(problem, line)
    knot, early = (onset.at, None) if onset.bend is None else (onset.bend, onset.at)
    (fit,) = yield [Ask(problem, knot, early, rounds=2, start=onset.fit, ramp=onset.ramp)]
    earlier = None if onset.bend is None else float(fit.beta[3])
    if onset.bend is not None and earlier is not None and abs(earlier) < ALONE * abs(float(fit.beta[2])):
        half = 1.96 * BEND_SD_DAYS
        onset = replace(onset, at=onset.bend, bend=None, low=onset.bend - half, high=onset.bend + half)
        earlier = None
    over = _over_own(problem, fit)
    apart = _apart(problem, fit)
    sds = _loosened(problem, fit, apart).sds(math.sqrt(spread_of(fit.z)) * problem.inflation(fit.z))
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
        bend_day=None if onset.bend is None else onset.bend + now,
        earlier_ah_day=earlier,
        ramp=onset.ramp,
        apart=apart,
        unlike_ah=_unlike(problem),
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
