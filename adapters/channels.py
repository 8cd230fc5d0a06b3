"""The channel catalogue: the only place that knows what a stored column means.

Every value is stored as an integer at its channel's scale (`raw × scale = value in unit`). `encode` and
`decode` are the only two functions that cross between physical units and stored integers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

Kind = Literal["number", "flag", "bits"]

MAX_CELLS = 32
MAX_TEMPS = 8


@dataclass(frozen=True, slots=True)
class Channel:
    """One column of a reading.

    Attributes
    ----------
    name : str
        Column name in the store, in CSV files and in Parquet exports.
    unit : str
        Canonical unit, as in `adapters.units`; "" for counts, flags and bit sets.
    scale : float
        Physical value of one stored step. [unit]
    low, high : float
        Valid range in the unit, inclusive; a value outside is dropped and counted, never stored.
    kind : {"number", "flag", "bits"}
        Flags are 0 or 1; bit sets are non-negative integers.
    note : str
        Meaning and sign rule, one sentence.
    """

    name: str
    unit: str
    scale: float
    low: float
    high: float
    kind: Kind
    note: str


def _number(name: str, unit: str, scale: float, low: float, high: float, note: str) -> Channel:
    return Channel(name, unit, scale, low, high, "number", note)


def _flag(name: str, note: str) -> Channel:
    return Channel(name, "", 1, 0, 1, "flag", note)


def _bits(name: str, width: int, note: str) -> Channel:
    return Channel(name, "", 1, 0, 2**width - 1, "bits", note)


_PACK = (
    _number("pack_v", "V", 0.01, 0, 120, "Voltage at the pack terminals."),
    _number("pack_a", "A", 0.01, -1500, 1500, "Current; positive charges the pack."),
    _number(
        "soc", "1", 0.0001, 0, 1.2, "State of charge as the pack reports it; never trusted as a measurement."
    ),
    _number("soh", "1", 0.0001, 0, 1.2, "State of health as the pack reports it."),
    _number("remaining_ah", "Ah", 0.1, 0, 20000, "Charge left, as reported."),
    _number("full_ah", "Ah", 0.1, 0, 20000, "Full-charge capacity, as reported."),
    _number("cycles_reported", "", 1, 0, 100000, "Cycle count, as reported."),
)
_CELLS = tuple(
    _number(f"cell_{i:02d}_v", "V", 0.001, 0.5, 5.0, f"Voltage of cell {i}, counted from the negative end.")
    for i in range(1, MAX_CELLS + 1)
)
_TEMPS = tuple(
    _number(
        f"temp_{i}", "°C", 0.1, -50, 120, f"Temperature sensor {i}; cell sensors first, then others by role."
    )
    for i in range(1, MAX_TEMPS + 1)
)
_STATE = (
    _flag("heater_on", "1 while the pack's heater is commanded on."),
    _flag("charge_enabled", "1 while the pack allows charging."),
    _flag("discharge_enabled", "1 while the pack allows discharging."),
    _flag("balancing", "1 while any cell is being balanced."),
    _number("charge_limit_a", "A", 0.1, 0, 3000, "Charging current the pack asks not to exceed."),
    _number("discharge_limit_a", "A", 0.1, 0, 3000, "Discharging current the pack asks not to exceed."),
    _number("charge_limit_v", "V", 0.01, 0, 120, "Charging voltage the pack asks not to exceed."),
    _number(
        "discharge_limit_v", "V", 0.01, 0, 120, "Voltage below which the pack asks not to be discharged."
    ),
    _bits("warnings", 32, "Warning bits, named by the map."),
    _bits("protections", 32, "Protection bits, named by the map."),
    _bits("balancing_cells", 32, "Bit 0 is cell 1; set while that cell is being balanced."),
    _number("heater_w", "W", 1, 0, 5000, "Electrical power of the heater."),
    _number("ambient", "°C", 0.1, -60, 80, "Air temperature around the pack."),
)

CATALOGUE: dict[str, Channel] = {c.name: c for c in (*_PACK, *_CELLS, *_TEMPS, *_STATE)}
"""Every channel of a pack, in column order."""

WITNESS_CATALOGUE: dict[str, Channel] = {
    c.name: c
    for c in (
        _number("dc_v", "V", 0.01, 0, 120, "Battery-side voltage where the witness measures it."),
        _number("dc_a", "A", 0.01, -3000, 3000, "Battery-side current there; positive charges the bank."),
        _number("ac_w", "W", 1, -50000, 50000, "AC power of the inverter; positive feeds the house."),
        _number("soc_seen", "1", 0.0001, 0, 1.2, "State of charge the witness shows."),
        _number("ambient", "°C", 0.1, -60, 80, "Air temperature where the witness stands."),
    )
}
"""Every channel of a witness, in column order."""


def encode(channel: Channel, value: float) -> int | None:
    """Turn a physical value into the stored integer.

    Parameters
    ----------
    channel : Channel
        Where the value goes.
    value : float
        Physical value. [channel.unit]

    Returns
    -------
    int or None
        The stored integer, or None if the value is not finite or outside the valid range.
    """
    if not math.isfinite(value) or not channel.low <= value <= channel.high:
        return None
    return round(value / channel.scale)


def decode(channel: Channel, raw: int) -> float:
    """Turn a stored integer back into a physical value. [channel.unit]

    >>> decode(CATALOGUE["cell_01_v"], 3345)
    3.345
    """
    if channel.kind != "number":
        return raw
    return round(raw * channel.scale, 6)


def cell_name(number: int) -> str:
    """Name of the voltage channel of cell `number` (from 1)."""
    return f"cell_{number:02d}_v"


def temp_name(number: int) -> str:
    """Name of the channel of temperature sensor `number` (from 1)."""
    return f"temp_{number}"
