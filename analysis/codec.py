"""Frozen dataclasses to bytes and back, small and fast: how digests are kept.

The types say what comes in which order, so only values are written: all numbers in one array, all strings
behind it. What the types are is part of a fingerprint; whoever keeps the bytes keeps the fingerprint with
them and does not read bytes of another one (the digest's version does this). Floats keep seven digits,
instants a tenth of a second: encoding what was decoded gives the same bytes.

::

    bytes 0–3   count of numbers, little-endian
    bytes 4–…   the numbers, 8 bytes each, IEEE 754 little-endian; None is infinite
    then        the strings, UTF-8, each ended by 0x1F
"""

from __future__ import annotations

import dataclasses
import math
import types
import zlib
from collections.abc import Callable, Sequence
from functools import cache
from typing import Any, Literal, TypeAlias, TypeVar, Union, get_args, get_origin, get_type_hints

import numpy as np

from analysis.codec_read import NONE, reader, rest

T = TypeVar("T")
Write: TypeAlias = Callable[[Any, list[float], list[str]], None]

INSTANT = 1e6
"""Floats beyond are instants in seconds, kept to a tenth."""
END = "\x1f"
_NAN = math.nan


def encode(value: object, names: Sequence[str] | None = None) -> bytes:
    """Turn a frozen dataclass into bytes. Floats that are not finite become NaN.

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
    kind: Any = type(value)
    if not dataclasses.is_dataclass(kind):
        raise TypeError(f"cannot keep a {kind.__name__} in a digest")
    numbers: list[float] = []
    strings: list[str] = []
    fields = _fields(_hashable(kind))
    for name in names_of(kind) if names is None else names:
        fields[name](getattr(value, name), numbers, strings)
    packed = np.array(numbers, dtype="<f8").tobytes()
    text = "".join(f"{s}{END}" for s in strings)
    return len(numbers).to_bytes(4, "little") + packed + text.encode()


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
    return decoder(kind, *[names for names, _ in parts])(*[raw for _, raw in parts])


def decoder(kind: type[T], *parts: Sequence[str]) -> Callable[..., T]:
    """Return what decodes many dataclasses of a kind from the bytes of the same fields; see `decode`."""
    readers = [reader(_hashable(kind), tuple(names)) for names in parts]
    others = rest(_hashable(kind), tuple(name for names in parts for name in names))

    def decoded(*raws: bytes) -> T:
        made = object.__new__(kind)
        try:
            for read, raw in zip(readers, raws, strict=True):
                values, strings = _split(raw)
                if read(made, values, strings) != (len(values), len(strings)):
                    raise ValueError(f"more or fewer bytes than a {kind.__name__} has")
            for put, default in others:
                put(made, default)
        except (TypeError, IndexError, OverflowError) as error:
            raise ValueError(f"bytes do not hold a {kind.__name__}") from error
        return made

    return decoded


def first_number(raw: bytes) -> float:
    """Return the first number of encoded bytes, NaN if there is none."""
    return float(np.frombuffer(raw, "<f8", 1, 4)[0]) if len(raw) >= 12 else math.nan


def fingerprint(kind: type) -> int:
    """A number that changes whenever a field of the type, or of a type within it, changes."""
    return zlib.crc32(_describe(kind, ()).encode())


def names_of(kind: Any) -> tuple[str, ...]:
    """Names of a dataclass's fields in order."""
    return tuple(field.name for field in dataclasses.fields(kind))


def _hashable(kind: Any) -> Any:
    return kind


def _split(raw: bytes) -> tuple[Sequence[float], list[str]]:
    count = int.from_bytes(raw[:4], "little")
    end = 4 + 8 * count
    if len(raw) < max(end, 4):
        raise ValueError("bytes are cut short")
    packed = np.frombuffer(raw, "<f8", count, 4)
    values: list[float] = packed.tolist()
    for i in np.isnan(packed).nonzero()[0].tolist():
        values[i] = _NAN  # one and the same, so that equal digests compare equal
    return tuple(values), raw[end:].decode().split(END)[:-1]


@cache
def _fields(kind: Any) -> dict[str, Write]:
    hints = get_type_hints(kind)
    return {name: _writer(hints[name]) for name in names_of(kind)}


@cache
def _writer(kind: Any) -> Write:
    """Return how one value of a type is written."""
    if dataclasses.is_dataclass(kind):
        return _dataclass(kind)
    if kind in _SIMPLE:
        return _SIMPLE[kind]
    origin, args = get_origin(kind), get_args(kind)
    if origin is tuple:
        return _uniform(args[0]) if len(args) == 2 and args[1] is Ellipsis else _mixed(args)
    if origin in (types.UnionType, Union):
        return _optional(next(a for a in args if a is not type(None)))
    if origin is Literal:
        return _SIMPLE[str]
    raise TypeError(f"cannot keep a {kind} in a digest")


def _dataclass(kind: Any) -> Write:
    writers = _fields(kind)

    def write(value: Any, numbers: list[float], strings: list[str]) -> None:
        for name, part in writers.items():
            part(getattr(value, name), numbers, strings)

    return write


def _uniform(item: Any) -> Write:
    part = _writer(item)

    def write(value: Any, numbers: list[float], strings: list[str]) -> None:
        numbers.append(len(value))
        for one in value:
            part(one, numbers, strings)

    return write


def _mixed(items: tuple[Any, ...]) -> Write:
    parts = [_writer(item) for item in items]

    def write(value: Any, numbers: list[float], strings: list[str]) -> None:
        for one, part in zip(value, parts, strict=True):
            part(one, numbers, strings)

    return write


def _optional(item: Any) -> Write:
    part = _writer(item)

    def write(value: Any, numbers: list[float], strings: list[str]) -> None:
        numbers.append(NONE if value is None else 0.0)
        if value is not None:
            part(value, numbers, strings)

    return write


def _short(value: float) -> float:
    """Seven digits, or a tenth for instants; NaN if not finite."""
    if not math.isfinite(value):
        return math.nan
    return round(value, 1) if abs(value) >= INSTANT else float(f"{value:.7g}")


def _write_text(value: str, _: list[float], strings: list[str]) -> None:
    strings.append(value.replace(END, " "))


_SIMPLE: dict[Any, Write] = {
    float: lambda value, numbers, _: numbers.append(_short(value)),
    int: lambda value, numbers, _: numbers.append(int(value)),
    bool: lambda value, numbers, _: numbers.append(bool(value)),
    str: _write_text,
}


def _describe(kind: Any, seen: tuple[Any, ...]) -> str:
    if dataclasses.is_dataclass(kind) and isinstance(kind, type):
        if kind in seen:
            return kind.__name__
        hints = get_type_hints(kind)
        inner = (f"{name}:{_describe(hints[name], (*seen, kind))}" for name in names_of(kind))
        return f"{kind.__name__}({','.join(inner)})"
    if get_origin(kind) is Literal:
        return str(get_args(kind))
    args = get_args(kind)
    if args:
        return f"{get_origin(kind)}[{','.join(_describe(a, seen) for a in args)}]"
    return getattr(kind, "__name__", str(kind))
