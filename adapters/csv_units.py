"""Columns in the wrong unit: refused with the reason, never converted by guess."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from adapters.channels import Channel
from adapters.errors import ImportFormatError

ENOUGH = 5
"""Values needed for a verdict."""

_GUESSES: Mapping[str, tuple[tuple[float, float, str], ...]] = {
    "1": ((100.0, 0.0, "percent: divide by 100"),),
    "V": ((1000.0, 0.0, "millivolts: divide by 1000"),),
    "°C": ((1.0, 273.15, "kelvin: subtract 273.15"), (10.0, 0.0, "tenths of a degree: divide by 10")),
}
"""For each unit: divisor, what to subtract first, and the words."""


def refuse_wrong_units(
    path: Path, columns: Mapping[str, np.ndarray], catalogue: Mapping[str, Channel], *, begins: bool = True
) -> None:
    """Refuse a file whose columns are in another unit than their channels.

    One odd column among its like (a cell deeply discharged, a sensor that is not there) is no other unit,
    nor is a stretch of odd values further down: those values are dropped and counted elsewhere.

    Parameters
    ----------
    columns : mapping of str to array, shape (n,)
        Physical values as the file gives them, NaN where blank.
    begins : bool
        Whether these are the file's first lines. Later ones are refused only if they look like a known
        other unit.

    Raises
    ------
    ImportFormatError
        Naming the column, its unit, and what the values look like.
    """
    families: dict[str, list[float]] = {}
    first: dict[str, str] = {}
    for name, column in columns.items():
        there = column[np.isfinite(column)]
        if catalogue[name].kind != "number" or there.size < ENOUGH:
            continue
        family = re.sub(r"\d+", "#", name)
        middle = _foreign(there, catalogue[name])
        families.setdefault(family, []).append(middle)
        if math.isfinite(middle):
            first.setdefault(family, name)
    for family, middles in families.items():
        foreign = [m for m in middles if math.isfinite(m)]
        if 2 * len(foreign) > len(middles):
            _judge(path, catalogue[first[family]], float(np.median(foreign)), begins=begins)


def _foreign(there: np.ndarray, channel: Channel) -> float:
    """The middle of a column's values out of range if these are most of it, else NaN."""
    outside = there[(there < channel.low) | (there > channel.high)]
    return float(np.median(outside)) if 2 * outside.size > there.size else math.nan


def _judge(path: Path, channel: Channel, middle: float, *, begins: bool) -> None:
    looks = _looks(channel, middle)
    absent = middle <= 0 or channel.unit == "°C"  # a pack switched off, or sensors that are not there
    if not looks and (absent or not begins):
        return
    unit = "a fraction from 0 to 1" if channel.unit == "1" else f"in {channel.unit}"
    raise ImportFormatError(
        f"{path}: column {channel.name} must be {unit}, but most values are like {middle:g}{looks}",
        f"valid are {channel.low:g} to {channel.high:g}",
    )


def _looks(channel: Channel, middle: float) -> str:
    for divisor, zero, words in _GUESSES.get(channel.unit, ()):
        if channel.low <= (middle - zero) / divisor <= channel.high and middle > 0:
            return f"; they look like {words}"
    return ""
