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
from collections.abc import Callable, Iterator, Sequence
from functools import cache
from itertools import islice
from typing import Any, Literal, TypeAlias, TypeVar, Union, get_args, get_origin, get_type_hints

import numpy as np

T = TypeVar("T")
Numbers: TypeAlias = Iterator[float]
Strings: TypeAlias = Iterator[str]
Read: TypeAlias = Callable[[Numbers, Strings], Any]
Write: TypeAlias = Callable[[Any, list[float], list[str]], None]

INSTANT = 1e6
"""Floats beyond are instants in seconds, kept to a tenth."""
END = "\x1f"
NONE = math.inf
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
        fields[name][1](getattr(value, name), numbers, strings)
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
    fields = _fields(_hashable(kind))
    values: dict[str, Any] = {}
    try:
        for names, raw in parts:
            numbers, strings = _split(raw)
            for name in names:
                values[name] = fields[name][0](numbers, strings)
            if next(numbers, None) is not None or next(strings, ""):
                raise ValueError(f"more bytes than a {kind.__name__} has")
        return kind(**values)
    except (TypeError, KeyError, StopIteration, OverflowError) as error:
        raise ValueError(f"bytes do not hold a {kind.__name__}") from error


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


def _split(raw: bytes) -> tuple[Numbers, Strings]:
    count = int.from_bytes(raw[:4], "little")
    end = 4 + 8 * count
    if len(raw) < max(end, 4):
        raise ValueError("bytes are cut short")
    packed = np.frombuffer(raw, "<f8", count, 4)
    values = packed.tolist()
    for i in np.flatnonzero(np.isnan(packed)).tolist():
        values[i] = _NAN  # one and the same, so that equal digests compare equal
    return iter(values), iter(raw[end:].decode().split(END))


@cache
def _fields(kind: Any) -> dict[str, tuple[Read, Write]]:
    hints = get_type_hints(kind)
    return {name: _codec(hints[name]) for name in names_of(kind)}


@cache
def _codec(kind: Any) -> tuple[Read, Write]:
    """Return how one value of a type is read and written."""
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


def _dataclass(kind: Any) -> tuple[Read, Write]:
    names = names_of(kind)
    pairs = list(_fields(kind).values())
    steps = _steps(pairs)

    def read(numbers: Numbers, strings: Strings) -> Any:
        row: list[Any] = []
        for count, part in steps:
            if part is None:
                row += islice(numbers, count)
            else:
                row.append(part(numbers, strings))
        return kind(*row)

    def write(value: Any, numbers: list[float], strings: list[str]) -> None:
        for name, (_, part) in zip(names, pairs, strict=True):
            part(getattr(value, name), numbers, strings)

    return read, write


def _steps(pairs: list[tuple[Read, Write]]) -> list[tuple[int, Read | None]]:
    """Fields in reading order, floats in a row as one step."""
    steps: list[tuple[int, Read | None]] = []
    for pair in pairs:
        if pair is not _SIMPLE[float]:
            steps.append((1, pair[0]))
        elif steps and steps[-1][1] is None:
            steps[-1] = (steps[-1][0] + 1, None)
        else:
            steps.append((1, None))
    return steps


def _uniform(item: Any) -> tuple[Read, Write]:
    part_read, part_write = _codec(item)

    def read_floats(numbers: Numbers, _: Strings) -> Any:
        return tuple(islice(numbers, int(next(numbers))))

    def read(numbers: Numbers, strings: Strings) -> Any:
        return tuple([part_read(numbers, strings) for _ in range(int(next(numbers)))])

    def write(value: Any, numbers: list[float], strings: list[str]) -> None:
        numbers.append(len(value))
        for one in value:
            part_write(one, numbers, strings)

    return read_floats if item is float else read, write


def _mixed(items: tuple[Any, ...]) -> tuple[Read, Write]:
    pairs = [_codec(item) for item in items]

    def read(numbers: Numbers, strings: Strings) -> Any:
        return tuple([part(numbers, strings) for part, _ in pairs])

    def write(value: Any, numbers: list[float], strings: list[str]) -> None:
        for one, (_, part) in zip(value, pairs, strict=True):
            part(one, numbers, strings)

    return read, write


def _optional(item: Any) -> tuple[Read, Write]:
    part_read, part_write = _codec(item)

    def read(numbers: Numbers, strings: Strings) -> Any:
        return None if next(numbers) == NONE else part_read(numbers, strings)

    def write(value: Any, numbers: list[float], strings: list[str]) -> None:
        numbers.append(NONE if value is None else 0.0)
        if value is not None:
            part_write(value, numbers, strings)

    return read, write


def _short(value: float) -> float:
    """Seven digits, or a tenth for instants; NaN if not finite."""
    if not math.isfinite(value):
        return math.nan
    return round(value, 1) if abs(value) >= INSTANT else float(f"{value:.7g}")


def _write_text(value: str, _: list[float], strings: list[str]) -> None:
    strings.append(value.replace(END, " "))


_SIMPLE: dict[Any, tuple[Read, Write]] = {
    float: (lambda numbers, _: next(numbers), lambda value, numbers, _: numbers.append(_short(value))),
    int: (lambda numbers, _: int(next(numbers)), lambda value, numbers, _: numbers.append(int(value))),
    bool: (lambda numbers, _: next(numbers) != 0, lambda value, numbers, _: numbers.append(bool(value))),
    str: (lambda _, strings: next(strings), _write_text),
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
