"""Results worth keeping while a history is at hand: what several questions need is computed once.

A history never changes, so a function of histories gives the same result each time. The results live and
die with the history they are about; nothing is kept elsewhere.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from functools import wraps
from typing import Any, ParamSpec, TypeVar

from analysis.history import Bank, History

P = ParamSpec("P")
R = TypeVar("R")
_PLACE = "_once"


def once(function: Callable[P, R]) -> Callable[P, R]:
    """Remember the results of a pure function whose first argument is a history or a bank.

    Histories count by identity, everything else by value; what cannot be hashed is computed afresh.
    """

    @wraps(function)
    def remembered(*args: P.args, **kwargs: P.kwargs) -> R:
        host = _host(args)
        if host is None:
            return function(*args, **kwargs)
        key = (function.__module__, function.__qualname__, _key(args), _key(tuple(sorted(kwargs.items()))))
        try:
            kept: dict[Hashable, tuple[Any, R]] = host.__dict__.setdefault(_PLACE, {})
            if key not in kept:
                kept[key] = (args, function(*args, **kwargs))  # the arguments stay alive, so do their ids
            return kept[key][1]
        except TypeError as error:
            if "unhashable" not in str(error):
                raise
            return function(*args, **kwargs)

    return remembered


def _host(args: tuple[object, ...]) -> History | None:
    first = args[0] if args else None
    if isinstance(first, History):
        return first
    if isinstance(first, Bank) and first.packs:
        return first.packs[0]
    return None


def _key(value: object) -> Hashable:
    if isinstance(value, History):
        return ("history", id(value))
    if isinstance(value, Bank):
        return ("bank", value.timezone, tuple(id(pack) for pack in value.packs))
    if isinstance(value, tuple):
        return tuple(_key(item) for item in value)
    return value  # what cannot be hashed is noticed by the caller
