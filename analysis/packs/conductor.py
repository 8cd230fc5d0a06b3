"""What a copper conductor alone would be: resistance, drop and heat by its area or gauge."""

from __future__ import annotations

import math

RHO_20 = 1.7241e-8
"""Resistivity of annealed copper at 20 °C. [Ω·m] International annealed copper standard (from memory)."""
ALPHA_20 = 0.00393
"""Its temperature coefficient at 20 °C. [1/K] The same."""


def awg_area_mm2(gauge: int) -> float:
    """Area of an American wire gauge; 0 for 1/0, −1 for 2/0, −3 for 4/0. [mm²]

    References
    ----------
    ASTM B258: diameter 0.005 in × 92^((36 − n)/39) (from memory).

    Examples
    --------
    >>> round(awg_area_mm2(-1), 2)
    67.43
    """
    diameter_mm: float = 0.127 * 92.0 ** ((36 - gauge) / 39)
    return math.pi * diameter_mm**2 / 4


def resistance_ohm(length_m: float, area_mm2: float, temp_c: float = 20.0) -> float:
    """Resistance of a copper conductor. [Ω]

    Parameters
    ----------
    length_m : float
        Length of the whole loop, out and back. [m]
    area_mm2 : float
        [mm²]
    temp_c : float
        Of the copper. [°C]

    Raises
    ------
    ValueError
        If length or area is not positive.

    Examples
    --------
    >>> round(resistance_ohm(1.0, 67.43) * 1e3, 4)
    0.2557
    """
    if length_m <= 0 or area_mm2 <= 0:
        raise ValueError("a conductor has a length and an area above 0")
    return RHO_20 * length_m / (area_mm2 * 1e-6) * (1 + ALPHA_20 * (temp_c - 20))


def drop_v(resistance: float, current_a: float) -> float:
    """Voltage lost. [V]"""
    return resistance * abs(current_a)


def heat_w(resistance: float, current_a: float) -> float:
    """Heat made. [W]"""
    return resistance * current_a**2
