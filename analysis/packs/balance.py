"""What closed windows gained and lost, explained together: the sensor's zero, the cells' loss, the heaters.

Between two full charges the meter gains

    b × time + L × charge in + D × time + f × heaters' charge

with b the zero error, L the share of charge that cells keep, D what electronics take past the sensor, and f
what heaters took past it, as part of what they used. All four are shared by all windows; what is known of
them beforehand counts as further observations. Whether heaters can have taken charge past the sensor at all
is a question of yes or no, and so is whether one that lost its warmth draws what it drew: all
answers are worked out and weighed by how well they explain the windows.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.frame import F64
from analysis.packs.closure import (
    DRAIN_MEAN_A,
    DRAIN_U_A,
    LOSS_MEAN,
    LOSS_U,
    PRIOR_U_A,
    Window,
    Zero,
    combined_zero,
    pooled,
)
from analysis.packs.heater_path import UNKNOWN, HeaterPath

HEATING_U = 0.3
"""What each window's own heating differs by from the heaters' usual, standard. [1] Practice, no source."""
UNTOLD_U_A, MOST_WINDOWS = 0.1, 400
"""A zero less sure than the first tells nothing [A]; windows looked back at."""
MOST_TOLD = 6.0
"""Largest difference of log-likelihoods that is believed: the model may be wrong. [1] Practice, no source."""
UNLIKELY = 0.02
"""An answer less likely than this is left out. [1] Practice, no source."""
NOBODY_SAID = HeaterPath(UNKNOWN, 1.0, 0.4)


@dataclass(frozen=True, slots=True, eq=False)
class Answer:
    """One answer to whether heaters took charge past the sensor, and how much after one lost its warmth.

    Attributes
    ----------
    chance : float
        That it is the right one. [1]
    mean, cov : array, shape (4,) and (4, 4)
        Of b [A], L [1], D [A] and f [1].
    as_before : bool
        Whether f speaks of a heater that lost its warmth and draws what it drew.
    """

    chance: float
    mean: F64
    cov: F64
    as_before: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Balance:
    """What explains the gains and losses of windows together.

    Attributes
    ----------
    zero : Zero
        Of the current sensor.
    heating, heating_u : float
        What heaters took past the sensor, as part of what they used, with its standard uncertainty. [1]
    scale : float
        What they used, as part of the windows' `heater_ah`. [1]
    answers : tuple of Answer
        One to three; their chances add up to 1.
    """

    zero: Zero
    heating: float
    heating_u: float
    scale: float
    answers: tuple[Answer, ...]


def balance(found: Sequence[Window], known: Zero | None = None, path: HeaterPath = NOBODY_SAID) -> Balance:
    """Find what explains the gains and losses of windows together.

    Parameters
    ----------
    found : sequence of Window
        Any number; the latest `MOST_WINDOWS` are used.
    known : Zero, optional
        The zero error from elsewhere than these windows.
    path : HeaterPath
        What is known of the way of the heaters' current.

    Returns
    -------
    Balance

    References
    ----------
    JCGM 102:2011, section 6 (least squares with prior information as further observations; from memory).
    MacKay, "Information Theory, Inference, and Learning Algorithms" (2003), chapter 28: evidence of linear
    models with Gaussian priors (chapter from memory).
    """
    found = found[-MOST_WINDOWS:]
    start = combined_zero(known) if known is not None else Zero(0.0, PRIOR_U_A, combined_zero().basis)
    less, most = (_equations(found, path.scale, as_before) for as_before in (False, True))
    mean = np.array([start.offset_a, LOSS_MEAN, DRAIN_MEAN_A, 0.0])
    sd = np.array([start.u_a, LOSS_U, DRAIN_U_A, 0.0])
    asked = [(1 - path.chance, less, mean, sd, False)]
    if path.chance > 0 and (most[0].size == 0 or most[0][:, 3].any()):
        heated, wide = mean.copy(), sd.copy()
        heated[3], wide[3] = 1.0, path.relative_u
        asked.append((path.chance * (1 - path.as_before), less, heated, wide, False))
        asked.append((path.chance * path.as_before, most, heated, wide, True))
    asked = [a for a in asked if a[0] > 0]
    chance = np.array([a[0] for a in asked])
    best = min(_misfit(*equations, m, s) for _, equations, m, s, _ in asked)
    rough = math.sqrt(max(1.0, best / max(len(found), 1)))
    solved = [_solved(a, y, noise * rough, m, s) for _, (a, y, noise), m, s, _ in asked]
    told = np.array([s[2] for s in solved])
    weight = chance * np.exp(np.clip(told - told.max(), -MOST_TOLD, 0.0))
    weight /= weight.sum()
    keep = weight >= UNLIKELY
    weight = weight[keep] / weight[keep].sum()
    kept = [(s, a[4]) for s, a, k in zip(solved, asked, keep, strict=True) if k]
    answers = tuple(
        Answer(float(w), s[0], s[1], as_before) for w, (s, as_before) in zip(weight, kept, strict=True)
    )
    basis = f"{len(found)} closed windows, {found[0].first} to {found[-1].last}" if found else ""
    basis = "; ".join(part for part in (basis, start.basis if known or not found else "") if part)
    zero, u = _mixed(answers, lambda a: (float(a.mean[0]), math.sqrt(float(a.cov[0, 0]))))
    heating, heating_u = _mixed(answers, lambda a: (float(a.mean[3]), math.sqrt(float(a.cov[3, 3]))))
    return Balance(Zero(zero, u, basis), heating, heating_u, path.scale, answers)


def _equations(found: Sequence[Window], scale: float, as_before: bool) -> tuple[F64, F64, F64]:
    """Coefficients of the four unknowns (n, 4), charge gained (n,) and its standard uncertainty (n,). [Ah]"""
    if not found:
        return np.empty((0, 4)), np.empty(0), np.empty(0)
    hours = np.array([w.span.covered_s / 3600 for w in found])
    heaters = scale * np.array([_used(w, as_before) for w in found])
    rows = np.column_stack((hours, [w.span.ah_in for w in found], hours, heaters))
    noise = np.sqrt([w.closure_u_ah**2 + w.hidden_ah**2 for w in found])
    return rows, np.array([w.span.ah for w in found]), np.hypot(noise, HEATING_U * heaters)


def _used(window: Window, as_before: bool) -> float:
    """Charge that heaters used in a window, also if one that lost its warmth draws as before. [Ah]"""
    return 0.0 if window.warm else window.heater_ah + as_before * window.heater_more_ah


def _solved(rows: F64, gained: F64, noise: F64, mean: F64, sd: F64) -> tuple[F64, F64, float]:
    """Unknowns with their covariance, and the log-likelihood of what was gained, priors averaged over.

    What has no uncertainty beforehand keeps its value.
    """
    free = sd > 0
    a = rows[:, free] / noise[:, None]
    y = (gained - rows @ mean) / noise
    precision = a.T @ a + np.diag(1 / sd[free] ** 2)
    part = np.linalg.inv(precision)
    shift = part @ (a.T @ y)
    cov = np.zeros((mean.size, mean.size))
    cov[np.ix_(free, free)] = part
    out = mean.copy()
    out[free] += shift
    misfit = float(y @ y - shift @ precision @ shift)
    spread = float(np.linalg.slogdet(precision)[1]) + 2 * float(np.log(sd[free]).sum())
    return out, cov, -0.5 * (misfit + spread) - float(np.log(noise).sum())


def _misfit(rows: F64, gained: F64, noise: F64, mean: F64, sd: F64) -> float:
    """Sum of squares of what the best fit leaves, in units of the noise."""
    fit, _, _ = _solved(rows, gained, noise, mean, sd)
    rest = (gained - rows @ fit) / noise
    return float(rest @ rest)


def _mixed(answers: Sequence[Answer], of: Callable[[Answer], tuple[float, float]]) -> tuple[float, float]:
    """Mean and standard uncertainty of a quantity over the answers."""
    parts = [(a.chance, *of(a)) for a in answers]
    mean = math.fsum(c * m for c, m, _ in parts)
    return mean, math.sqrt(math.fsum(c * (u * u + (m - mean) ** 2) for c, m, u in parts))


def closure_zero(found: Sequence[Window]) -> Zero | None:
    """Estimate the zero error from closed windows; None if they tell next to nothing about it."""
    zero = balance(found).zero
    return zero if found and zero.u_a < UNTOLD_U_A else None


def drew_as_before(found: Sequence[Window], path: HeaterPath) -> float:
    """How likely a heater that lost its warmth draws what it drew, by what windows gained. [1]

    Parameters
    ----------
    found : sequence of Window
    path : HeaterPath
    """
    answers = balance(found, path=path).answers
    told = math.fsum(a.chance for a in answers if a.as_before)
    untold = math.fsum(a.chance for a in answers if a.mean[3] == 0)
    return told + path.as_before * untold


def halves_apart(found: Sequence[Window], path: HeaterPath = NOBODY_SAID) -> float:
    """Half the difference of the zeros that early and late windows tell, beyond what each leaves unsure. [A]

    Parameters
    ----------
    found : sequence of Window
        In order. A zero that moved among a few of them is no clear step, and their mean is not the present.
    path : HeaterPath

    Returns
    -------
    float
        0 where both agree, and of fewer than four windows.
    """
    if len(found) < 4:
        return 0.0
    early, late = (
        balance(part, path=path).zero for part in (found[: len(found) // 2], found[len(found) // 2 :])
    )
    apart = abs(late.offset_a - early.offset_a)
    return 0.5 * apart if apart > 2 * math.hypot(early.u_a, late.u_a) else 0.0


def lost_by_answer(found: Sequence[Window], fit: Balance) -> tuple[tuple[float, float, float], ...]:
    """Each answer's chance [1], charge lost over windows and its standard uncertainty. [Ah]"""
    return tuple((a.chance, *_lost(a, *_sums(found, fit, a))) for a in fit.answers)


def _lost(
    answer: Answer, ah_in: float, hours: float, heaters_ah: float, own_ah: float
) -> tuple[float, float]:
    """Charge lost under one answer [Ah]; `own_ah` is what the windows' own heating differs by."""
    row = np.array([0.0, ah_in, hours, heaters_ah])
    mean = float(row @ answer.mean)
    return mean, math.sqrt(float(row @ answer.cov @ row) + (own_ah * answer.mean[3]) ** 2)


def lost_ah(
    ah_in: float, hours: float, heaters_ah: float, fit: Balance, more_ah: float = 0.0
) -> tuple[float, float]:
    """Charge that goes in and does not come out, with its standard uncertainty. [Ah]

    Parameters
    ----------
    ah_in : float
        Charge that goes in. [Ah]
    hours : float
        Time. [h]
    heaters_ah : float
        Heaters' charge as `closure.heater_ah` has it. [Ah]
    fit : Balance
    more_ah : float
        What they used beyond it if one that lost its warmth draws as before. [Ah]
    """
    return _mixed(
        fit.answers,
        lambda a: _lost(a, ah_in, hours, fit.scale * (heaters_ah + a.as_before * more_ah), 0.0),
    )


def lost_in_all(found: Sequence[Window], fit: Balance) -> tuple[float, float]:
    """Charge lost over windows with its standard uncertainty. [Ah]"""
    return _mixed(fit.answers, lambda a: _lost(a, *_sums(found, fit, a)))


def _sums(found: Sequence[Window], fit: Balance, answer: Answer) -> tuple[float, float, float, float]:
    """Charge in [Ah], time [h] and heaters' charge of windows [Ah], and what their own heating differs by."""
    total = pooled(found)
    heaters = [fit.scale * _used(w, answer.as_before) for w in found]
    own = HEATING_U * math.sqrt(math.fsum(h * h for h in heaters))
    return true_in_ah(total, fit), total.span.covered_s / 3600, math.fsum(heaters), own


def true_in_ah(window: Window, fit: Balance) -> float:
    """Charge in with the zero error taken out. [Ah]"""
    return max(window.span.ah_in - fit.zero.offset_a * window.hours_in, 1e-9)
