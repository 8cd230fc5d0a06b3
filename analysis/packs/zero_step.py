"""Closed windows before and after a step of the current sensor's zero: what follows is another sensor."""

from __future__ import annotations

import numpy as np

from analysis.frame import F64
from analysis.packs.closure import DRAIN_MEAN_A, LOSS_MEAN, Window
from analysis.stats.change import step_change

STEP_A = 0.15
"""A step of the zero from which windows before and after are kept apart. [A] Practice, no source."""
SURE_A = 0.12
"""Windows whose closing says less than this, standard, do not tell of a step. [A] Practice, no source."""
UNTOLD = 0.5
"""Of the heaters' charge this part is taken to have passed by the sensor; it may be none or all. [1]"""
LEAST_WINDOWS = 6
CHANCE = 1e-3


def stretches(found: tuple[Window, ...]) -> tuple[tuple[Window, ...], ...]:
    """Part windows where the zero of the sensor clearly jumped.

    What heaters may have taken past the sensor changes with the weather and would look like a step; a step
    therefore has to exceed `STEP_A` by half of what that can have changed by.

    Parameters
    ----------
    found : tuple of Window
        In order.

    Returns
    -------
    tuple of tuple of Window
        One or two stretches in order; none without windows.
    """
    if not found:
        return ()
    hours = np.array([w.span.covered_s / 3600 for w in found])
    heaters = np.array([0.0 if w.warm else w.heater_ah + w.heater_more_ah for w in found]) / hours
    gained = np.array([w.span.ah - LOSS_MEAN * w.span.ah_in for w in found]) / hours
    rate = gained - DRAIN_MEAN_A - UNTOLD * heaters
    sure = np.hypot([w.closure_u_ah for w in found], [w.hidden_ah for w in found]) / hours < SURE_A
    if int(sure.sum()) < LEAST_WINDOWS:
        return (found,)
    at = np.array([w.start_s for w in found])
    change = step_change(at[sure], rate[sure], edge=2)
    if change is None or change.p > CHANCE:
        return (found,)
    after = at >= change.at
    if abs(change.size) < STEP_A + UNTOLD * abs(_mean(heaters[after]) - _mean(heaters[~after])):
        return (found,)
    parts = (
        tuple(w for w, late in zip(found, after, strict=True) if not late),
        tuple(w for w, late in zip(found, after, strict=True) if late),
    )
    return tuple(p for p in parts if p)


def _mean(values: F64) -> float:
    return float(values.mean()) if values.size else 0.0


def stretch_of(found: tuple[Window, ...], start_s: float, end_s: float) -> tuple[Window, ...]:
    """Return the stretch with most windows between two instants, the last one if none lies there. [s]"""
    parts = stretches(found)
    if not parts:
        return ()
    inside = [sum(start_s <= w.start_s and w.end_s <= end_s for w in part) for part in parts]
    return parts[-1] if not any(inside) else parts[int(np.argmax(inside))]
