"""Registers to raw numbers: the types of MAPS.md section 1.4."""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from functools import partial
from typing import Final

WIDTH: Final = {"u16": 1, "s16": 1, "u32": 2, "s32": 2, "f32": 2, "u8hi": 1, "u8lo": 1, "s8hi": 1, "s8lo": 1}
"""Registers of each type."""

READERS: Final = tuple(WIDTH)
"""Names of the types."""


def reader(kind: str, *, swap: bool = False, low_first: bool = False) -> Callable[[Sequence[int]], float]:
    """Return the function that turns the registers of one value into its raw number.

    Parameters
    ----------
    kind : str
        A key of `WIDTH`.
    swap : bool
        Whether the low byte of each register comes first.
    low_first : bool
        Whether the low register of a pair comes first.

    Examples
    --------
    >>> reader("s16")([0xFFFE])
    -2
    >>> reader("u32", low_first=True)([0x0001, 0x0002])
    131073
    """
    if kind == "u16":
        return _u16_swapped if swap else _u16
    if kind == "s16":
        return _s16_swapped if swap else _s16
    if kind[1:] in {"8hi", "8lo"}:
        return partial(_byte, high=(kind[2:] == "hi") != swap, signed=kind[0] == "s")
    return partial(_pair, form={"u32": ">I", "s32": ">i", "f32": ">f"}[kind], swap=swap, low_first=low_first)


def ascii_text(registers: Sequence[int], *, swap: bool = False) -> str:
    """Text in registers, two characters each; ends at the first NUL, unprintable characters become '?'.

    >>> ascii_text([0x4F52, 0x4348, 0x0000])
    'ORCH'
    """
    raw = b"".join(
        _swapped(register).to_bytes(2, "big") if swap else register.to_bytes(2, "big")
        for register in registers
    )
    return bytes_text(raw)


def bytes_text(*parts: bytes) -> str:
    r"""Text in one or more rows of bytes; each ends at its first NUL, unprintable characters become '?'.

    >>> bytes_text(b"HILLSIDE", b"-48\0\0\0\0\0")
    'HILLSIDE-48'
    """
    letters = b"".join(part.split(b"\0", 1)[0] for part in parts)
    return "".join(chr(b) if 32 <= b < 127 else "?" for b in letters).strip()


def _u16(registers: Sequence[int]) -> int:
    return registers[0]


def _s16(registers: Sequence[int]) -> int:
    word = registers[0]
    return word - 0x10000 if word & 0x8000 else word


def _swapped(word: int) -> int:
    return (word & 0xFF) << 8 | word >> 8


def _u16_swapped(registers: Sequence[int]) -> int:
    return _swapped(registers[0])


def _s16_swapped(registers: Sequence[int]) -> int:
    return _s16([_swapped(registers[0])])


def _byte(registers: Sequence[int], *, high: bool, signed: bool) -> int:
    byte = registers[0] >> 8 if high else registers[0] & 0xFF
    return byte - 0x100 if signed and byte & 0x80 else byte


def _pair(registers: Sequence[int], *, form: str, swap: bool, low_first: bool) -> float:
    first, second = registers[0], registers[1]
    if swap:
        first, second = _swapped(first), _swapped(second)
    if low_first:
        first, second = second, first
    number: float = struct.unpack(form, struct.pack(">HH", first, second))[0]
    return number
