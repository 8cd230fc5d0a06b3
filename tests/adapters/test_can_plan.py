"""The compiled decoder agrees with cantools, bit by bit."""

from __future__ import annotations

import math
from typing import Literal, TypeAlias

import cantools
import pytest
from cantools.database.can import Message, Signal
from cantools.database.conversion import BaseConversion
from hypothesis import given, settings
from hypothesis import strategies as st

from adapters.assembler import Assembler
from adapters.binding import bits_of, parse_binding
from adapters.can_plan import extractor, groups_of
from adapters.toml_file import TomlFile

Order: TypeAlias = Literal["little_endian", "big_endian"]
Row: TypeAlias = tuple[int, int, Order, bool, bool]


def message(rows: list[Row]) -> Message:
    signals = [
        Signal(f"S{n}", start, length, order, signed, conversion=BaseConversion.factory(is_float=real))
        for n, (start, length, order, signed, real) in enumerate(rows)
    ]
    return Message(1, "M", 8, signals, strict=False)


ORDERS: st.SearchStrategy[Order] = st.sampled_from(["little_endian", "big_endian"])
layouts: st.SearchStrategy[Row] = st.one_of(
    st.tuples(st.integers(0, 63), st.integers(1, 64), ORDERS, st.booleans(), st.just(False)),
    st.sampled_from([(start, 32, "little_endian", False, True) for start in (0, 16, 32)]),
    st.sampled_from([(start, 32, "big_endian", False, True) for start in (7, 23, 39)]),
)


def fits(row: Row) -> bool:
    start, length, order, _, _ = row
    first = start if order == "little_endian" else 8 * (start // 8) + 7 - start % 8
    return first + length <= 64


@settings(max_examples=400)
@given(layouts.filter(fits), st.binary(min_size=8, max_size=8))
def test_any_layout_against_cantools(row: Row, payload: bytes) -> None:
    one = message([row])
    decoded = one.decode(payload, decode_choices=False, scaling=False)
    assert isinstance(decoded, dict)
    theirs = decoded["S0"]
    assert isinstance(theirs, int | float)
    ours = extractor(bits_of(one.signals[0]))(payload)
    assert ours == theirs or (math.isnan(ours) and math.isnan(theirs))


ROWS: list[Row] = [(0, 16, "little_endian", False, False), (16, 16, "little_endian", True, False),
        (32, 8, "little_endian", False, False), (40, 24, "little_endian", False, False)]  # fmt: skip
CHANNELS = ("cycles_reported", "warnings", "protections", "balancing_cells")


def assembled(rows: list[Row], count: int) -> Assembler:
    text = '[binding]\nname = "b"\nsource = "t"\n'
    for n in range(count):
        text += f'[[signal]]\nsignal = "S{n}"\nchannel = "{CHANNELS[n]}"\n'
    return Assembler(parse_binding(TomlFile("b", text), cantools.database.Database([message(rows)])))


@given(st.binary(min_size=8, max_size=8))
def test_struct_path_agrees_with_bit_path(payload: bytes) -> None:
    """Three signals go through one struct call; a fourth, of 24 bits, sends all through shift and mask."""
    fast, slow = assembled(ROWS, 3), assembled(ROWS, 4)
    names = [getattr(groups_of(one.binding)[0].unpack, "__name__", "") for one in (fast, slow)]
    assert names == ["unpack_from", "unpack"]
    for one in (fast, slow):
        one.take(1, payload, 0.0)
    quick, thorough = fast.snapshot(0.0), slow.snapshot(0.0)
    for name in CHANNELS[:3]:
        assert quick[0].get(name) == thorough[0].get(name)
        assert quick[1].get(name) == thorough[1].get(name)


@pytest.mark.parametrize("order", ["little_endian", "big_endian"])
@given(cells=st.lists(st.integers(0, 0xFFFF), min_size=4, max_size=4))
def test_cells_take_the_short_cut_only_when_all_are_sane(order: Order, cells: list[int]) -> None:
    """Range of a cell: 0.5 to 5.0 V, from the channel catalogue."""
    little = order == "little_endian"
    rows: list[Row] = [(16 * n + (0 if little else 7), 16, order, False, False) for n in range(4)]
    text = '[binding]\nname = "b"\nsource = "t"\n[[signal]]\nsignal = "S{n}"\nfirst = 0\n'
    text += 'channel = "cell_01_v"\ncount = 4\nunit = "mV"\nabsent = [0xFFFF]\n'
    one = Assembler(parse_binding(TomlFile("b", text), cantools.database.Database([message(rows)])))
    assert groups_of(one.binding)[0].plain is not None
    one.take(1, b"".join(c.to_bytes(2, "little" if little else "big") for c in cells), 0.0)
    values, rejected = one.snapshot(0.0)
    sane = {f"cell_{n + 1:02d}_v": c for n, c in enumerate(cells) if 500 <= c <= 5000}
    assert values == sane
    assert set(rejected) == {
        f"cell_{n + 1:02d}_v" for n, c in enumerate(cells) if not 500 <= c <= 5000 and c != 0xFFFF
    }


@given(
    st.lists(st.tuples(st.integers(0, 3), st.binary(max_size=64), st.floats(0, 100)), max_size=40),
    st.floats(0, 120),
)
def test_any_frames_in_any_order(frames: list[tuple[int, bytes, float]], now_s: float) -> None:
    one = assembled(ROWS, 4)
    for key, payload, time_s in frames:
        one.take(key, payload, time_s)
    values, rejected = one.snapshot(now_s)
    assert not set(values) & set(rejected)
    assert all(isinstance(stored, int) and stored >= 0 for stored in values.values())
