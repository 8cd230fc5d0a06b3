"""Reads are legal and few, and bring back every value."""

from __future__ import annotations

import itertools

from hypothesis import given
from hypothesis import strategies as st

from adapters.planner import MOST_REGISTERS, plan, wire_time_s
from adapters.registers import Item
from adapters.rule import Rule
from adapters.words import reader


def item(address: int, width: int = 1, function: int = 3, channel: str = "cell_01_v") -> Item:
    kind = "u16" if width == 1 else "u32"
    return Item(function, address, width, reader(kind), Rule(channel, "number", high=2**32))


def shape(items: list[Item], **keys: int) -> list[tuple[int, int, int]]:
    return [(r.function, r.address, r.count) for r in plan(items, **keys)]


def test_neighbours_join() -> None:
    assert shape([item(n) for n in range(16)]) == [(3, 0, 16)]


def test_gap_is_crossed_only_where_allowed() -> None:
    items = [item(0), item(3)]
    assert shape(items) == [(3, 0, 1), (3, 3, 1)]
    assert shape(items, bridge=1) == [(3, 0, 1), (3, 3, 1)]
    assert shape(items, bridge=2) == [(3, 0, 4)]


def test_limit_of_the_standard() -> None:
    """At most 125 registers. Source: Modbus Application Protocol V1.1b3, section 6.3."""
    assert shape([item(n) for n in range(250)]) == [(3, 0, 125), (3, 125, 125)]


def test_pair_is_not_split() -> None:
    items = [item(n) for n in range(124)] + [item(124, 2)]
    assert shape(items) == [(3, 0, 124), (3, 124, 2)]


def test_functions_stay_apart() -> None:
    assert shape([item(0), item(1, function=4)]) == [(3, 0, 1), (4, 1, 1)]


def test_wire_time_by_hand() -> None:
    """64 registers at 9600 bit/s: (8 + 5 + 128) × 11 / 9600 = 161.6 ms, and two silences of 4.01 ms."""
    (read,) = plan([item(n) for n in range(64)])
    assert abs(wire_time_s(read, 9600, 0.00401) - 0.1696) < 1e-4


items_strategy = st.lists(
    st.tuples(st.integers(0, 600), st.integers(1, 2), st.sampled_from([3, 4])), min_size=1, max_size=60
)


@given(items_strategy, st.integers(0, 40), st.integers(2, MOST_REGISTERS))
def test_every_plan_is_legal_and_whole(rows: list[tuple[int, int, int]], bridge: int, most: int) -> None:
    items = [item(*row) for row in rows]
    reads = plan(items, bridge=bridge, max_read=most)
    assert sorted(map(id, itertools.chain(*(r.items for r in reads)))) == sorted(map(id, items))
    for read in reads:
        assert 1 <= read.count <= most
        covered = {r for i in read.items for r in range(i.address, i.address + i.width)}
        assert min(covered) == read.address
        assert max(covered) == read.address + read.count - 1
        assert all(i.function == read.function for i in read.items)
        gaps = [b - a - 1 for a, b in itertools.pairwise(sorted(covered))]
        assert max(gaps, default=0) <= bridge


@given(st.sets(st.integers(0, 40), min_size=1, max_size=9), st.integers(0, 3), st.integers(1, 6))
def test_no_smaller_plan_exists(addresses: set[int], bridge: int, most: int) -> None:
    """Against all ways of cutting the sorted row into legal pieces."""
    row = sorted(addresses)

    def legal(piece: list[int]) -> bool:
        return piece[-1] - piece[0] < most and all(b - a - 1 <= bridge for a, b in itertools.pairwise(piece))

    fewest = [0] + [len(row)] * len(row)
    for end in range(1, len(row) + 1):
        fewest[end] = min(fewest[start] + 1 for start in range(end) if legal(row[start:end]))
    assert len(plan([item(a) for a in row], bridge=bridge, max_read=most)) == fewest[-1]


@given(st.lists(st.integers(0, 0xFFFF), min_size=125, max_size=125), st.data())
def test_decode_takes_each_value_from_its_own_registers(words: list[int], data: st.DataObject) -> None:
    at = data.draw(st.integers(0, 123))
    (read,) = plan([item(0), item(124), item(at, 2, channel="x")], bridge=125)
    values: dict[str, int] = {}
    read.decode(words[read.address :], values, {})
    assert values["x"] == words[at] << 16 | words[at + 1]
