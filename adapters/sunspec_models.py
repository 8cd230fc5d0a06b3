"""SunSpec information models 1 and 802 to 805: where their points lie, and what a point reads.

Offsets count registers from the model's ID. Only points that are used are listed.

References
----------
SunSpec Alliance, SunSpec Device Information Model specification and model definitions 1, 802–805
(https://github.com/sunspec/models). The test suite compares every entry with the definitions that the
package pysunspec2 carries.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

MARK: Final = (0x5375, 0x6E53)
"""The text "SunS" in two registers: the models begin behind it."""
BASES: Final = (40000, 50000, 0)
"""Registers where the mark may stand."""
END: Final = 0xFFFF
"""Model ID behind the last model."""

Type = Literal["int16", "uint16", "uint32", "bitfield32"]
WIDTH: Final[dict[str, int]] = {"int16": 1, "uint16": 1, "uint32": 2, "bitfield32": 2}
NOT_IMPLEMENTED: Final[dict[str, int]] = {
    "int16": -0x8000,
    "uint16": 0xFFFF,
    "uint32": 0xFFFFFFFF,
    "bitfield32": 0xFFFFFFFF,
}
"""Values that say that a point is not implemented."""


@dataclass(frozen=True, slots=True)
class Point:
    """One point of a model.

    Attributes
    ----------
    name : str
        Name in the model definition.
    offset : int
        Registers from the model's ID, or from the start of the repeated group.
    type : str
        Type in the definition.
    scale : int or None
        Offset of its scale factor, from the model's ID.
    """

    name: str
    offset: int
    type: Type
    scale: int | None = None


def _points(*points: Point) -> dict[str, Point]:
    return {point.name: point for point in points}


COMMON_TEXTS: Final = {"maker": (2, 16), "model": (18, 16), "version": (42, 8), "serial": (50, 16)}
"""Texts of model 1: offset and length. [registers]"""
SERIAL_805: Final = (22, 16)
"""Serial number of a module: offset and length. [registers]"""

BATTERY: Final = _points(
    Point("SoC", 11, "uint16", 56),
    Point("SoH", 13, "uint16", 58),
    Point("NCyc", 14, "uint32"),
    Point("Evt1", 26, "bitfield32"),
    Point("V", 34, "uint16", 59),
    Point("A", 44, "int16", 61),
    Point("AChaMax", 45, "uint16", 62),
    Point("ADisChaMax", 46, "uint16", 62),
)
"""Model 802."""
BANK: Final = _points(
    Point("NStr", 2, "uint16"),
    Point("ModTmpMax", 4, "int16", 23),
    Point("ModTmpMin", 7, "int16", 23),
    Point("NCellBal", 21, "uint16"),
)
"""Model 803."""
STRING: Final = _points(
    Point("Idx", 2, "uint16"),
    Point("NMod", 3, "uint16"),
    Point("NCellBal", 7, "uint16"),
    Point("SoC", 8, "uint16", 38),
    Point("NCyc", 10, "uint32"),
    Point("SoH", 12, "uint16", 39),
    Point("A", 13, "int16", 41),
    Point("V", 14, "uint16", 42),
    Point("ModTmpMax", 20, "int16", 44),
    Point("ModTmpMin", 22, "int16", 44),
    Point("Evt1", 28, "bitfield32"),
)
"""Model 804."""
MODULE: Final = _points(
    Point("StrIdx", 2, "uint16"),
    Point("ModIdx", 3, "uint16"),
    Point("NCell", 4, "uint16"),
    Point("SoC", 5, "uint16", 38),
    Point("SoH", 7, "uint16", 39),
    Point("NCyc", 8, "uint32"),
    Point("V", 10, "uint16", 41),
    Point("CellTmpMax", 16, "int16", 43),
    Point("CellTmpMin", 18, "int16", 43),
    Point("NCellBal", 21, "uint16"),
)
"""Model 805, its fixed part."""
CELL: Final = _points(
    Point("CellV", 0, "uint16", 42), Point("CellTmp", 1, "int16", 43), Point("CellSt", 2, "bitfield32")
)
"""Model 805, one cell; scale factors lie in the fixed part."""
MODULE_FIXED: Final = 44
"""Registers of model 805 before its cells, with ID and length."""
CELL_SIZE: Final = 4
"""Registers of one cell."""
BALANCING: Final = 1 << 0
"""Bit of CellSt that says that the cell is being balanced."""

EVENTS: Final = {
    0: "communication error",
    1: "too hot (alarm)",
    2: "too hot (warning)",
    3: "too cold (alarm)",
    4: "too cold (warning)",
    5: "charging current too high (alarm)",
    6: "charging current too high (warning)",
    7: "discharging current too high (alarm)",
    8: "discharging current too high (warning)",
    9: "voltage too high (alarm)",
    10: "voltage too high (warning)",
    11: "voltage too low (alarm)",
    12: "voltage too low (warning)",
    13: "charge below minimum (alarm)",
    14: "charge below minimum (warning)",
    15: "charge above maximum (alarm)",
    16: "charge above maximum (warning)",
    17: "voltages far apart (warning)",
    18: "temperatures far apart (alarm)",
    19: "temperatures far apart (warning)",
    20: "contactor fault",
    21: "fan fault",
    22: "ground fault",
    23: "door open",
    24: "currents far apart (warning)",
    25: "other alarm",
    26: "other warning",
}
"""Bits of Evt1, in our words."""
WARNING_BITS: Final = sum(1 << bit for bit, words in EVENTS.items() if "warning" in words)
PROTECTION_BITS: Final = sum(1 << bit for bit in EVENTS) & ~WARNING_BITS


def read_point(point: Point, registers: Mapping[int, int], model: int, group: int = 0) -> float | None:
    """Value of a point, scaled.

    Parameters
    ----------
    point : Point
        Which.
    registers : mapping of int to int
        Registers by address.
    model, group : int
        Address of the model's ID, and registers from there to the repeated group.

    Returns
    -------
    float or None
        Value in the definition's unit; None if the point or its scale factor is not implemented.

    Examples
    --------
    >>> read_point(Point("V", 34, "uint16", 59), {34: 5120, 59: 0xFFFE}, 0)
    51.2
    """
    at = model + group + point.offset
    words = [registers[at + place] for place in range(WIDTH[point.type])]
    raw: int = words[0]
    if point.type == "int16":
        raw = raw - 0x10000 if raw & 0x8000 else raw
    elif WIDTH[point.type] == 2:
        raw = struct.unpack(">I", struct.pack(">HH", *words))[0]
    if raw == NOT_IMPLEMENTED[point.type]:
        return None
    if point.scale is None:
        return float(raw)
    power = registers[model + point.scale]
    power = power - 0x10000 if power & 0x8000 else power
    if not -10 <= power <= 10:
        return None
    return float(raw * 10**power) if power >= 0 else raw / 10**-power
