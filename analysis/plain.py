"""Results as plain dictionaries, for JSON: every field by its name, what is not finite as null."""

from __future__ import annotations

import dataclasses
import math
from typing import Any


def plain(value: object) -> Any:
    """Turn a frozen result into dictionaries, lists, numbers and strings.

    Parameters
    ----------
    value : object
        A dataclass, tuple, list, mapping with string keys, number, string, bool or None.

    Returns
    -------
    Any
        What `json.dumps(..., allow_nan=False)` accepts. NaN and infinities become None.

    Raises
    ------
    ValueError
        For anything else.
    """
    if value is None or isinstance(value, bool | str):
        return value
    if isinstance(value, int):
        return int(value)
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, tuple | list):
        return [plain(item) for item in value]
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if dataclasses.is_dataclass(value):
        return {field.name: plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    raise ValueError(f"a {type(value).__name__} has no plain form")
