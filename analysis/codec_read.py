"""Readers of kept dataclasses, written for their types: a history of years holds millions of values.

For each type the steps that its fields need are written out once, as one function without a branch or a call
that the type does not ask for, as the standard library writes a dataclass its `__init__`. Beside readers put
together from functions, which call a constructor for every value, it takes half the time.
"""

from __future__ import annotations

import dataclasses
import math
import types
from collections.abc import Callable, Sequence
from functools import cache
from typing import Any, Literal, TypeAlias, Union, get_args, get_origin, get_type_hints

NONE = math.inf
"""Stands before an optional value that is not there."""
Put: TypeAlias = Callable[[Any, Any], None]
Reader: TypeAlias = Callable[[Any, Sequence[float], Sequence[str]], tuple[int, int]]


@cache
def reader(kind: Any, names: tuple[str, ...]) -> Reader:
    """Return a function that reads fields of a dataclass.

    Parameters
    ----------
    kind : type
        A dataclass of numbers, strings, tuples and such dataclasses, all without `__post_init__`.
    names : tuple of str
        Its fields, in the order in which they were written.

    Returns
    -------
    callable
        Takes an empty one, all numbers (a tuple) and all strings; sets the fields and says how many of each
        it took.

    Raises
    ------
    TypeError
        If a field is of a kind that is not handled, or a dataclass has a `__post_init__`.
    """
    hints = get_type_hints(kind)
    text = _Text()
    text.put(kind, "made", names, text.fields([hints[name] for name in names], 1), 1)
    body = "\n".join(text.lines)
    code = f"def read(made, v, s):\n i = j = 0\n{body}\n return i, j\n"
    exec(compile(code, f"<reader of {kind.__name__}>", "exec"), text.known)  # noqa: S102 - our own words
    made: Reader = text.known["read"]
    return made


@cache
def rest(kind: Any, names: tuple[str, ...]) -> tuple[tuple[Put, Any], ...]:
    """Return how the other fields get their defaults.

    Raises
    ------
    TypeError
        If one has none.
    """
    others = [field for field in dataclasses.fields(kind) if field.name not in names]
    if any(field.default is dataclasses.MISSING for field in others):
        raise TypeError(f"not all of a {kind.__name__}")
    return tuple((_setter(kind, field.name), field.default) for field in others)


def _setter(kind: Any, name: str) -> Put:
    """Return what sets a field of a frozen dataclass."""
    slot = kind.__dict__.get(name)
    if isinstance(slot, types.MemberDescriptorType):
        return slot.__set__
    return lambda made, value: object.__setattr__(made, name, value)


class _Text:
    """A function in the making: its lines, and the objects that it knows by name."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self.known: dict[str, Any] = {"new": object.__new__, "NONE": NONE}
        self._count = 0

    def _name(self, known: Any = None) -> str:
        self._count += 1
        name = f"x{self._count}"
        if known is not None:
            self.known[name] = known
        return name

    def _add(self, depth: int, line: str) -> None:
        self.lines.append(" " * depth + line)

    def fields(self, kinds: Sequence[Any], depth: int) -> list[str]:
        """Write how values in a row are read, floats side by side at once; return their names."""
        names: list[str] = []
        floats: list[str] = []
        for kind in (*kinds, None):
            if kind is float:
                floats.append(self._name())
                continue
            if floats:
                self._add(depth, f"{', '.join(floats)}, = v[i:i+{len(floats)}]; i += {len(floats)}")
                names += floats
                floats = []
            if kind is not None:
                names.append(self._value(kind, depth))
        return names

    def put(self, kind: Any, made: str, names: Sequence[str], values: Sequence[str], depth: int) -> None:
        """Write how fields are set."""
        if hasattr(kind, "__post_init__"):
            raise TypeError(f"{kind.__name__} wants to run __post_init__, which no reader does")
        for name, value in zip(names, values, strict=True):
            self._add(depth, f"{self._name(_setter(kind, name))}({made}, {value})")

    def _value(self, kind: Any, depth: int) -> str:
        origin, args = get_origin(kind), get_args(kind)
        name = self._name()
        if kind in _SIMPLE or origin is Literal:
            self._add(depth, f"{name} = {_SIMPLE[str if origin is Literal else kind]}")
        elif dataclasses.is_dataclass(kind):
            own, hints = [field.name for field in dataclasses.fields(kind)], get_type_hints(kind)
            values = self.fields([hints[field] for field in own], depth)
            self._add(depth, f"{name} = new({self._name(kind)})")
            self.put(kind, name, own, values, depth)
        elif origin is tuple and args == (float, Ellipsis):
            self._add(depth, f"n = i + 1 + int(v[i]); {name} = v[i+1:n]; i = n")
        elif origin is tuple and args[1:] == (Ellipsis,):
            self._add(depth, f"{name} = []; i += 1")
            self._add(depth, "for _ in range(int(v[i - 1])):")
            self._add(depth + 1, f"{name}.append({self.fields(args[:1], depth + 1)[0]})")
            self._add(depth, f"{name} = tuple({name})")
        elif origin is tuple:
            self._add(depth, f"{name} = ({', '.join(self.fields(args, depth))},)")
        elif origin in (types.UnionType, Union):
            self._add(depth, f"{name} = None; i += 1")
            self._add(depth, "if v[i - 1] != NONE:")
            inner = self.fields([next(a for a in args if a is not type(None))], depth + 1)
            self._add(depth + 1, f"{name} = {inner[0]}")
        else:
            raise TypeError(f"cannot keep a {kind} in a digest")
        return name


_SIMPLE = {int: "int(v[i]); i += 1", bool: "v[i] != 0; i += 1", str: "s[j]; j += 1"}
