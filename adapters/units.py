"""Canonical units, and every conversion into them. Past this file nobody converts or flips a sign."""

from __future__ import annotations

from typing import Final

CANONICAL: Final = ("V", "A", "Ah", "Wh", "W", "°C", "Ω", "s", "1", "")
"""Units used everywhere inside; fractions are 0–1."""

TO_CANONICAL: Final[dict[str, tuple[str, float, float]]] = {
    # name: (canonical unit, factor, offset): canonical = factor × value + offset
    "V": ("V", 1.0, 0.0),
    "mV": ("V", 1e-3, 0.0),
    "A": ("A", 1.0, 0.0),
    "mA": ("A", 1e-3, 0.0),
    "Ah": ("Ah", 1.0, 0.0),
    "mAh": ("Ah", 1e-3, 0.0),
    "Wh": ("Wh", 1.0, 0.0),
    "kWh": ("Wh", 1e3, 0.0),
    "W": ("W", 1.0, 0.0),
    "kW": ("W", 1e3, 0.0),
    "°C": ("°C", 1.0, 0.0),
    "C": ("°C", 1.0, 0.0),
    "K": ("°C", 1.0, -273.15),
    "°F": ("°C", 5 / 9, -160 / 9),
    "F": ("°C", 5 / 9, -160 / 9),
    "Ω": ("Ω", 1.0, 0.0),
    "mΩ": ("Ω", 1e-3, 0.0),
    "1": ("1", 1.0, 0.0),
    "%": ("1", 0.01, 0.0),
    "": ("", 1.0, 0.0),
}


def to_canonical(value: float, unit: str) -> tuple[float, str]:
    """Convert a value to its canonical unit.

    Parameters
    ----------
    value : float
        In `unit`.
    unit : str
        A key of `TO_CANONICAL`.

    Returns
    -------
    (float, str)
        The converted value and its canonical unit.

    Raises
    ------
    KeyError
        If the unit is unknown.

    Examples
    --------
    >>> to_canonical(87, "%")
    (0.87, '1')
    """
    canonical, factor, offset = TO_CANONICAL[unit]
    return value * factor + offset, canonical
