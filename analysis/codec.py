"""Frozen dataclasses to bytes and back, small and fast: how digests are kept.

A dataclass becomes the JSON list of its fields in order, without names. What the fields are is part of
a fingerprint of the types; whoever keeps the bytes keeps the fingerprint with them and does not
read bytes of another one (the digest's version does this). Floats keep seven digits, instants a tenth of
a second: encoding what was decoded gives the same bytes.
"""

from __future__ import annotations

import dataclasses
import json
import math
import types
import zlib
from collections.abc import Callable, Sequence
from functools import cache
from typing import Any, Literal, TypeAlias, TypeVar, Union, get_args, get_origin, get_type_hints

T = TypeVar("T")
Build: TypeAlias = Callable[[Any], Any]

INSTANT = 1e6
"""Floats beyond are instants in seconds, kept to a tenth."""
_NAN = float("nan")


def encode(value: object, names: Sequence[str] | None = None) -> bytes:
    """Turn a frozen dataclass into bytes. What is not finite becomes null, and NaN when read.

    Parameters
    ----------
    value : object
        A dataclass instance of numbers, strings, tuples and such instances.
    names : sequence of str, optional
        Only these fields, in this order.

    Raises
    ------
    TypeError
        If a field is of a kind that is not handled.
    """
    row = _plain(value) if names is None else [_plain(getattr(value, name)) for name in names]
    return json.dumps(row, allow_nan=False, separators=(",", ":")).encode()


def decode(kind: type[T], *parts: tuple[Sequence[str], bytes]) -> T:
    """Build a dataclass from the bytes of its fields.

    Parameters
    ----------
    kind : type
    *parts : (sequence of str, bytes)
        Names of fields and what `encode` made of them; a field in no part takes its default.

    Raises
    ------
    ValueError
        If the bytes are not of this type.
    """
    hashable: Any = kind
    builders: dict[str, Build] = _field_builders(hashable)
    values: dict[str, Any] = {}
    try:
        for names, raw in parts:
            for name, item in zip(names, json.loads(raw), strict=True):
                values[name] = builders[name](item)
        return kind(**values)
    except (TypeError, KeyError, IndexError) as error:
        raise ValueError(f"bytes do not hold a {kind.__name__}") from error


def fingerprint(kind: type) -> int:
    """A number that changes whenever a field of the type, or of a type within it, changes."""
    return zlib.crc32(_describe(kind, ()).encode())


def names_of(kind: Any) -> tuple[str, ...]:
    """Names of a dataclass's fields in order."""
    return tuple(field.name for field in dataclasses.fields(kind))


def _plain(value: object) -> Any:
    if isinstance(value, float):
        return _short(value)
    if value is None or isinstance(value, bool | int | str):
        return value
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    if dataclasses.is_dataclass(value):
        return [_plain(getattr(value, name)) for name in names_of(value)]
    raise TypeError(f"cannot keep a {type(value).__name__} in a digest")


def _short(value: float) -> float | int | None:
    """Seven digits, or a tenth for instants; whole numbers without their point; None if not finite."""
    if not math.isfinite(value):
        return None
    kept = round(value, 1) if abs(value) >= INSTANT else float(f"{value:.7g}")
    return int(kept) if kept.is_integer() else kept


@cache
def _field_builders(kind: Any) -> dict[str, Build]:
    hints = get_type_hints(kind)
    return {name: _builder(hints[name]) for name in names_of(kind)}


@cache
def _builder(kind: Any) -> Build:
    """Return the function that builds one value of a type from its plain form."""
    if dataclasses.is_dataclass(kind):
        fields: Any = kind
        parts = list(_field_builders(fields).values())
        return _plain_row(kind) if all(part is _same for part in parts) else _row(kind, parts)
    if kind is float:
        return _float
    origin, args = get_origin(kind), get_args(kind)
    if origin is tuple:
        return _tuple_builder(args)
    if origin in (types.UnionType, Union):
        inner = [a for a in args if a is not type(None)]
        return _same if inner[0] in (float, int, str) else _optional(_builder(inner[0]))
    return _same


def _plain_row(kind: Any) -> Build:
    def build(row: Any) -> Any:
        return kind(*row)

    return build


def _row(kind: Any, parts: list[Build]) -> Build:
    def build(row: Any) -> Any:
        return kind(*[item if part is _same else part(item) for part, item in zip(parts, row, strict=True)])

    return build


def _optional(part: Build) -> Build:
    def build(item: Any) -> Any:
        return None if item is None else part(item)

    return build


def _tuple_builder(args: tuple[Any, ...]) -> Build:
    if len(args) == 2 and args[1] is Ellipsis:  # tuple[X, ...]
        part = _builder(args[0])
        if part is _same:
            return tuple

        def build_all(row: Any) -> Any:
            return tuple([part(item) for item in row])

        return build_all
    parts = [_builder(a) for a in args]

    def build(row: Any) -> Any:
        return tuple([part(item) for part, item in zip(parts, row, strict=True)])

    return build


def _same(item: Any) -> Any:
    return item


def _float(item: Any) -> float:
    return _NAN if item is None else float(item)


def _describe(kind: Any, seen: tuple[Any, ...]) -> str:
    if dataclasses.is_dataclass(kind) and isinstance(kind, type):
        if kind in seen:
            return kind.__name__
        hints = get_type_hints(kind)
        inner = (f"{f.name}:{_describe(hints[f.name], (*seen, kind))}" for f in dataclasses.fields(kind))
        return f"{kind.__name__}({','.join(inner)})"
    if get_origin(kind) is Literal:
        return str(get_args(kind))
    args = get_args(kind)
    if args:
        return f"{get_origin(kind)}[{','.join(_describe(a, seen) for a in args)}]"
    return getattr(kind, "__name__", str(kind))
