"""Columns in the wrong unit: refused with the reason, never converted by guess."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from adapters.channels import Channel
from adapters.errors import ImportFormatError

ENOUGH = 5
"""Values needed for a verdict."""

_GUESSES = {"1": (100.0, "percent: divide by 100"), "V": (1000.0, "millivolts: divide by 1000")}


def refuse_wrong_units(
    path: Path, columns: Mapping[str, np.ndarray], catalogue: Mapping[str, Channel]
) -> None:
    """Refuse a file in which most values of a column lie outside what the channel can be.

    Parameters
    ----------
    columns : mapping of str to array, shape (n,)
        Physical values as the file gives them, NaN where blank.

    Raises
    ------
    ImportFormatError
        Naming the column, its unit, and what the values look like.
    """
    for name, column in columns.items():
        channel = catalogue[name]
        there = column[np.isfinite(column)]
        if channel.kind != "number" or there.size < ENOUGH:
            continue
        outside = there[(there < channel.low) | (there > channel.high)]
        if 2 * outside.size <= there.size:
            continue
        middle = float(np.median(outside))
        factor, guess = _GUESSES.get(channel.unit, (0.0, ""))
        fits = factor and channel.low <= middle / factor <= channel.high
        looks = f"; they look like {guess}" if fits else ""
        unit = "a fraction from 0 to 1" if channel.unit == "1" else f"in {channel.unit}"
        raise ImportFormatError(
            f"{path}: column {name} must be {unit}, but most values are like {middle:g}{looks}",
            f"valid are {channel.low:g} to {channel.high:g}",
        )
