"""The fewest legal reads for a set of registers, and the decoding of what comes back."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from adapters.registers import Item, RegisterMap

MOST_REGISTERS = 125
"""Most registers in one read. Source: Modbus Application Protocol V1.1b3 (2012), sections 6.3 and 6.4."""


@dataclass(frozen=True, slots=True)
class Read:
    """One request and the values in its answer.

    Attributes
    ----------
    function : {3, 4}
        Function code.
    address : int
        First register on the wire.
    count : int
        Number of registers.
    items : tuple of Item
        Values inside.
    """

    function: int
    address: int
    count: int
    items: tuple[Item, ...]

    def decode(self, registers: Sequence[int], values: dict[str, int], rejected: dict[str, str]) -> None:
        """Decode an answer into channels.

        Parameters
        ----------
        registers : sequence of int, shape (count,)
            Registers of the answer.
        values, rejected : dict
            Filled: stored integers, and reasons for what was refused. Bit sets of several registers merge.
        """
        for item in self.items:
            start = item.address - self.address
            item.rule.put(item.read(registers[start : start + item.width]), values, rejected)


def plan(items: Iterable[Item], *, bridge: int = 0, max_read: int = MOST_REGISTERS) -> tuple[Read, ...]:
    """Merge values into the fewest reads.

    A read covers one function, at most `max_read` registers, never part of a value, and crosses at most
    `bridge` registers that belong to no value. Within these rules a greedy walk in order of address is
    optimal, because every read is extended as far as any could be.

    Parameters
    ----------
    items : iterable of Item
        Values to read.
    bridge : int
        Most registers to cross between two values. [registers]
    max_read : int
        Most registers in one read. [registers]
    """
    reads: list[Read] = []
    group: list[Item] = []
    end = 0
    for item in sorted(items, key=lambda item: (item.function, item.address, item.width)):
        stop = item.address + item.width
        fits = (
            bool(group)
            and item.function == group[0].function
            and item.address - end <= bridge
            and max(stop, end) - group[0].address <= max_read
        )
        if not fits and group:
            reads.append(_read(group, end))
            group = []
        end = max(end, stop) if fits else stop
        group.append(item)
    if group:
        reads.append(_read(group, end))
    return tuple(reads)


def _read(group: Sequence[Item], end: int) -> Read:
    first = group[0]
    return Read(first.function, first.address, end - first.address, tuple(group))


class Rounds:
    """Plans for successive rounds of a map in which some values are read only now and then."""

    def __init__(self, register_map: RegisterMap) -> None:
        self._map = register_map
        self._plans: dict[frozenset[int], tuple[Read, ...]] = {}
        self._steps = sorted({item.every for item in register_map.items})

    def reads(self, number: int) -> tuple[Read, ...]:
        """Reads of round `number`, counted from 0; round 0 reads everything."""
        due = frozenset(step for step in self._steps if number % step == 0)
        if due not in self._plans:
            items = [item for item in self._map.items if item.every in due]
            self._plans[due] = plan(items, bridge=self._map.bridge, max_read=self._map.max_read)
        return self._plans[due]


def wire_time_s(read: Read, baud: int, gap_s: float) -> float:
    """Least time of one read on a serial line: its characters, of 11 bits, and two silences. [s]

    The request has 8 bytes, the answer 5 and two a register. A unit's own delay comes on top.

    References
    ----------
    Modbus over Serial Line V1.02 (2006), section 2.5.1 (11 bits a character, silences).
    """
    return (8 + 5 + 2 * read.count) * 11 / baud + 2 * gap_s
