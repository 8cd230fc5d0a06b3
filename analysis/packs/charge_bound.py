"""The sensor's zero from what a pack can hold: no charge counted for weeks may leave or exceed it.

A pack that is never seen full closes no window. Its stored charge still stays between empty and full, so what
the meter drifts by over weeks, less what cells and electronics lose, is its zero error times the time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.frame import F64
from analysis.history import History
from analysis.once import once
from analysis.packs.closure import DRAIN_MEAN_A, DRAIN_U_A, LOSS_MEAN, LOSS_U, Zero
from analysis.packs.heater_path import day_heaters, day_more, heater_path, past

HELD_U = 0.3
"""What the charge held at the ends of a time differs by, standard, fraction of the rated capacity: each end
anywhere between empty and full. [1] Rectangular distributions: sqrt(2/12), and less in use."""
LEAST_DAYS, WORST_U_A = 10, 0.25
"""Days a stretch must have, and how unsure its zero may be. [d], [A] Practice, no source."""
CERTAIN, STEP_A = 4.0, 0.3
"""A bend of the counted charge is a step of the zero from so many standard deviations, and this size, on.
[1], [A] Practice, no source."""


@dataclass(frozen=True, slots=True)
class BoundZero:
    """A zero from the charge a pack can hold, and the local date from which it holds ("" from the start)."""

    zero: Zero
    since: str


@dataclass(frozen=True, slots=True)
class _Count:
    """By day: covered hours so far [h], charge counted less what is lost, and the uncertain part. [Ah]"""

    days: tuple[str, ...]
    hours: F64
    counted: F64
    unsure: F64


def _count(history: History) -> _Count:
    path = heater_path(history)
    covered = history.totals[:, 4] / 3600
    ah_in, ah_out = history.totals[:, 0], history.totals[:, 1]
    heaters, heaters_u = np.transpose(
        [(0.0, 0.0)]
        + [
            past(path, told, more)
            for told, more in zip(np.cumsum(day_heaters(history)), np.cumsum(day_more(history)), strict=True)
        ]
    )
    ends = np.array([history.digests[0].start_s, *(d.end_s for d in history.digests)])
    hidden = ((ends - ends[0]) / 3600 - covered) * (ah_in[-1] + ah_out[-1]) / max(covered[-1], 1.0)
    lost = LOSS_MEAN * ah_in + DRAIN_MEAN_A * covered + heaters
    unsure = np.sqrt((LOSS_U * ah_in) ** 2 + (DRAIN_U_A * covered) ** 2 + heaters_u**2 + (0.1 * hidden) ** 2)
    return _Count(history.days, covered, ah_in - ah_out - lost, unsure)


def _slope(count: _Count, first: int, last: int, rated_ah: float) -> tuple[float, float]:
    """Zero over the days from `first` up to `last`, and its standard uncertainty. [A]"""
    hours = count.hours[first : last + 1] - count.hours[first]
    counted = count.counted[first : last + 1]
    line = np.polyfit(hours, counted, 1)
    u = math.hypot(HELD_U * rated_ah, float(count.unsure[last] - count.unsure[first])) / float(hours[-1])
    return float(line[0]), u


def _bend(count: _Count, rated_ah: float) -> int | None:
    """Number of days before the clearest step of the zero; None without one."""
    n = len(count.days)
    best: tuple[float, int] | None = None
    for k in range(LEAST_DAYS // 2, n - LEAST_DAYS // 2 + 1, 1 + n // 150):
        before, u_before = _slope(count, 0, k, rated_ah)
        after, u_after = _slope(count, k, n, rated_ah)
        step = abs(after - before)
        if step < max(STEP_A, CERTAIN * math.hypot(u_before, u_after)):
            continue
        loss = _rest(count, 0, k) + _rest(count, k, n)
        if best is None or loss < best[0]:
            best = (loss, k)
    return None if best is None else best[1]


def _rest(count: _Count, first: int, last: int) -> float:
    """Sum of squares about a straight line. [Ah²]"""
    hours, counted = count.hours[first : last + 1], count.counted[first : last + 1]
    rest = counted - np.polyval(np.polyfit(hours, counted, 1), hours)
    return float(rest @ rest)


@once
def bound_zero(history: History) -> BoundZero | None:
    """Find the zero error from the charge that a pack can hold.

    Parameters
    ----------
    history : History

    Returns
    -------
    BoundZero or None
        After the clearest step, if there is one; None where the record is too short to tell.
    """
    if len(history.digests) < LEAST_DAYS:
        return None
    rated = history.facts.rated_ah
    count = _count(history)
    if count.hours[-1] <= 0 or np.any(np.diff(count.hours) <= 0):
        return None
    first = _bend(count, rated) or 0
    zero, u = _slope(count, first, len(count.days), rated)
    if u > WORST_U_A:
        return None
    days = len(count.days) - first
    basis = f"charge counted over {days} days, of which a pack of {rated:g} Ah can hold so much"
    return BoundZero(Zero(zero, u, basis), count.days[first] if first else "")
