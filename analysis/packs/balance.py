"""Energy efficiency of closed windows: the voltages' ratio times the share of charge that came back."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from analysis.history import Span
from analysis.packs.closure import (
    DRAIN_MEAN_A,
    DRAIN_U_A,
    HEATING_U,
    LOSS_MEAN,
    LOSS_U,
    Balance,
    Window,
    pooled,
)

UNTOLD_SHARE_U = 0.3
"""A heaters' share less sure than this is not told by the record: the interval then reaches from all of it
to none. [1] Common practice, no source."""
LEAST_KEPT, MOST_KEPT = 0.990, 0.9995
"""Share of its charge that a healthy pack gives back, at least and at most, heaters apart: from memory."""
VOLTAGE_U = 0.0005
"""Standard uncertainty of a ratio of two mean voltages of one meter. [1] Common practice, no source."""


def expected_loss(ah_in: float, hours: float, heaters_ah: float, fit: Balance) -> tuple[float, float]:
    """Charge that does not come back of a healthy pack, with its standard uncertainty. [Ah]

    Parameters
    ----------
    ah_in : float
        Charge that went in. [Ah]
    hours : float
        Time. [h]
    heaters_ah : float
        What heaters can have taken at most. [Ah]
    fit : Balance
        With the share of it that they took.

    Returns
    -------
    (float, float)
    """
    heat = fit.heating * heaters_ah
    mean = LOSS_MEAN * ah_in + DRAIN_MEAN_A * hours + heat
    return mean, math.hypot(LOSS_U * ah_in, DRAIN_U_A * hours, fit.heating_u * heaters_ah, HEATING_U * heat)


def charge_lost(window: Window, fit: Balance) -> tuple[float, float]:
    """Charge that went in and did not come out of a window, with its standard uncertainty. [Ah]

    Two sources: what a healthy pack is expected to lose, and what the meter missed at the window's end,
    its zero error taken out. Without a heater the surer one is taken, for the zero error itself comes
    from the same expectation; otherwise they are weighted by their variances.
    """
    hours = window.span.covered_s / 3600
    metered = window.span.ah - fit.zero.offset_a * hours
    u_metered = math.hypot(fit.zero.u_a * hours, window.closure_u_ah, window.hidden_ah)
    heaters = 0.0 if window.warm else window.heater_ah
    expected, u_expected = expected_loss(window.span.ah_in, hours, heaters, fit)
    if window.warm:
        return (expected, u_expected) if u_expected <= u_metered else (metered, u_metered)
    a, b = 1 / u_expected**2, 1 / u_metered**2
    return (a * expected + b * metered) / (a + b), 1 / math.sqrt(a + b)


def voltage_ratio(moved: Span) -> float:
    """Mean discharge over mean charge voltage, weighted with charge: no zero error moves it. [1]"""
    return (moved.wh_out / moved.ah_out) / (moved.wh_in / moved.ah_in)


def true_in_ah(window: Window, fit: Balance) -> float:
    """Charge in with the zero error taken out. [Ah]"""
    return max(window.span.ah_in - fit.zero.offset_a * window.hours_in, 1e-9)


def closed_efficiency(
    wh_in: float, wh_out: float, *, stored_wh: float = 0.0, outside_wh: float = 0.0
) -> float:
    """Energy out over energy in, for a time that ends in another state than it began.

    Parameters
    ----------
    wh_in, wh_out : float
        Energy at the terminals. [Wh]
    stored_wh : float
        What the pack holds more at the end than at the start. [Wh]
    outside_wh : float
        What heaters took from elsewhere than the pack, counted as put in. [Wh]

    Returns
    -------
    float
        Efficiency, NaN if nothing went in. [1]

    Examples
    --------
    >>> round(closed_efficiency(15.2, 14.6, stored_wh=0.15), 4)
    0.9704
    """
    put_in = wh_in + outside_wh
    return (wh_out + stored_wh) / put_in if put_in > 0 else float("nan")


def interval(found: Sequence[Window], fit: Balance) -> tuple[float, float, float]:
    """Efficiency over windows with the ends of its 95 % interval. [1]

    The product of the voltage ratio and the share of charge that came back: what a zero error, a dead
    band or a gain do to the meter's sums cancels in the first and is held by the second.

    Parameters
    ----------
    found : sequence of Window
        One or more.
    fit : Balance
        Of the sensor and the heaters.

    Returns
    -------
    (float, float, float)
        Value, low, high.
    """
    total = pooled(found)
    lost, u_lost = lost_in_all(found, fit)
    put_in = true_in_ah(total, fit)
    ratio = voltage_ratio(total.span)
    value = min(ratio * (1 - lost / put_in), ratio * MOST_KEPT)  # no cell gives back more than it took
    half = 1.96 * ratio * math.hypot(u_lost / put_in, VOLTAGE_U)
    low, high = value - half, min(value + half, ratio * (1 + 2 * VOLTAGE_U), 1.0)
    heaters = sum(w.heater_ah for w in found if not w.warm)
    if heaters > 0 and fit.heating_u > UNTOLD_SHARE_U:
        least = ratio * (LEAST_KEPT - heaters / put_in)
        low, high = min(low, least, value), max(high, min(ratio * MOST_KEPT, 1.0))
    return value, min(low, value), max(high, value)


def lost_in_all(found: Sequence[Window], fit: Balance) -> tuple[float, float]:
    """Charge lost over windows, those in which heaters may have run judged apart, with uncertainty. [Ah]"""
    groups = ([w for w in found if w.warm], [w for w in found if not w.warm])
    parts = [charge_lost(pooled(group), fit) for group in groups if group]
    return sum(lost for lost, _ in parts), math.hypot(*(u for _, u in parts))


def with_efficiency(window: Window, fit: Balance) -> Window:
    """Fill in the efficiency of a window and its 95 % interval."""
    value, low, high = interval((window,), fit)
    return replace(window, efficiency=value, low=low, high=high)
