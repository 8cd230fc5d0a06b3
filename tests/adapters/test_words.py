"""Types of registers, in every byte and word order."""

from __future__ import annotations

import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.words import WIDTH, ascii_text, reader

FORMS = {"u16": "H", "s16": "h", "u32": "I", "s32": "i", "f32": "f"}


@pytest.mark.parametrize("kind", FORMS)
@pytest.mark.parametrize("swap", [False, True])
@pytest.mark.parametrize("low_first", [False, True])
@given(raw=st.binary(min_size=4, max_size=4))
def test_orders_against_struct(kind: str, swap: bool, low_first: bool, raw: bytes) -> None:
    """The wire bytes are laid out by `struct`, then permuted as the orders say."""
    width = WIDTH[kind]
    true = struct.unpack(">" + FORMS[kind], raw[: 2 * width])[0]
    pairs = [raw[n : n + 2] for n in range(0, 2 * width, 2)]
    pairs = pairs[::-1] if low_first else pairs
    words = [int.from_bytes(pair[::-1] if swap else pair, "big") for pair in pairs]
    read = reader(kind, swap=swap, low_first=low_first)(words)
    assert read == true or (math.isnan(read) and math.isnan(true))


def test_bytes() -> None:
    assert [reader(k)([0xFE01]) for k in ("u8hi", "u8lo", "s8hi", "s8lo")] == [0xFE, 1, -2, 1]
    assert [reader(k, swap=True)([0xFE01]) for k in ("u8hi", "u8lo")] == [1, 0xFE]


def test_text() -> None:
    assert ascii_text([0x4F52, 0x4348]) == "ORCH"
    assert ascii_text([0x524F, 0x4843], swap=True) == "ORCH"
    assert ascii_text([0x4101, 0x2020, 0x0041]) == "A?"
