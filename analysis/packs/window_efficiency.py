"""Energy efficiency of closed windows: the voltages' ratio times the share of charge that came back."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from analysis.history import Span
from analysis.packs.balance import Balance, lost_by_answer, true_in_ah
from analysis.packs.closure import Window, pooled

MOST_KEPT = 0.9995
"""Share of its charge that a healthy pack gives back at most, heaters apart: from memory."""
VOLTAGE_U = 0.0005
"""Standard uncertainty of a ratio of two mean voltages of one meter. [1] Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Swing:
    """Times with the meter above and below zero, and ∫ V dt over them. [h], [V h]"""

    hours_in: float
    hours_out: float
    vh_in: float
    vh_out: float


def voltage_ratio(moved: Span, swing: Swing | None = None, offset_a: float = 0.0) -> float:
    """Mean discharge over mean charge voltage, weighted with charge, a zero error taken out. [1]

    What a zero error adds in the idle hours at the top or the bottom has another voltage than the rest.
    """
    wh_in, ah_in, wh_out, ah_out = moved.wh_in, moved.ah_in, moved.wh_out, moved.ah_out
    if swing is not None and swing.vh_in > 0 and swing.vh_out > 0:
        wh_in, ah_in = wh_in - offset_a * swing.vh_in, ah_in - offset_a * swing.hours_in
        wh_out, ah_out = wh_out + offset_a * swing.vh_out, ah_out + offset_a * swing.hours_out
    return (wh_out / ah_out) / (wh_in / ah_in)


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
    swing = Swing(total.hours_in, total.hours_out, total.vh_in, total.vh_out)
    zero = fit.zero
    put_in, ratio = true_in_ah(total, fit), voltage_ratio(total.span, swing, zero.offset_a)
    shift = voltage_ratio(total.span, swing, zero.offset_a + zero.u_a) / ratio - 1
    parts = [
        (chance, min(1 - lost / put_in, MOST_KEPT), math.hypot(u / put_in, VOLTAGE_U, shift))
        for chance, lost, u in lost_by_answer(found, fit)
    ]
    value = ratio * math.fsum(c * m for c, m, _ in parts)
    most = min(ratio * (1 + 2 * math.hypot(VOLTAGE_U, shift)), 1.0)  # no cell gives back more than it took
    low, high = (min(ratio * quantile(parts, q), most) for q in (0.025, 0.975))
    return value, min(low, value), max(high, value)


def quantile(parts: Sequence[tuple[float, float, float]], q: float) -> float:
    """Quantile of a mixture of normal distributions.

    Parameters
    ----------
    parts : sequence of (float, float, float)
        Chance, mean and standard deviation, above 0, of each; the chances add up to 1.
    q : float
        Between 0 and 1.
    """
    low = min(m - 8 * u for _, m, u in parts)
    high = max(m + 8 * u for _, m, u in parts)
    for _ in range(60):
        middle = 0.5 * (low + high)
        below = math.fsum(c * 0.5 * math.erfc((m - middle) / (u * math.sqrt(2))) for c, m, u in parts)
        low, high = (middle, high) if below < q else (low, middle)
    return 0.5 * (low + high)


def with_efficiency(window: Window, fit: Balance) -> Window:
    """Fill in the efficiency of a window and its 95 % interval."""
    value, low, high = interval((window,), fit)
    return replace(window, efficiency=value, low=low, high=high)
