"""What a pack's warning and protection bits are called: the maps know."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, TypeAlias

from adapters.errors import BankbookError

if TYPE_CHECKING:
    from adapters.base import Adapter
    from logger.config import Config

Names: TypeAlias = Mapping[str, Mapping[int, str]]
"""Channel to bit number to name."""


def of_adapters(adapters: Iterable[Adapter]) -> dict[str, dict[str, dict[int, str]]]:
    """Return the names by subject, from adapters whose maps give any."""
    out: dict[str, dict[str, dict[int, str]]] = {}
    for adapter in adapters:
        given = getattr(adapter, "bit_names", None) or {}
        for subject in adapter.subjects:
            for channel, names in given.items():
                out.setdefault(subject.name, {}).setdefault(channel, {}).update(names)
    return out


def of_config(config: Config) -> dict[str, dict[str, dict[int, str]]]:
    """Return the names by subject, without opening anything; none for a source whose map cannot be read."""
    from adapters.registry import make

    made = []
    for source in config.sources():
        try:
            made.append(make(source))
        except BankbookError:
            continue
    return of_adapters(made)


def spelt(bits: int, names: Mapping[int, str]) -> str:
    """Spell a bit set: names where there are any, else numbers.

    >>> spelt(0b1001, {3: "too cold to charge"})
    'bit 0, too cold to charge'
    """
    return ", ".join(names.get(i, f"bit {i}") for i in range(bits.bit_length()) if bits >> i & 1)
