"""candump logs, a block of lines at a time: one pattern over all of it, and only wanted frames unpacked."""

from __future__ import annotations

import re
from binascii import unhexlify
from collections.abc import Iterator
from typing import IO

from adapters.binding import frame_key
from adapters.capture_outcome import CaptureOutcome

BLOCK = 1 << 20
"""Bytes read at a time. [bytes]"""
LONGEST_LINE = 4096
"""A longer line is no frame. [bytes]"""
UNWANTED = -1
_MOST_IDS = 65_536

_FRAME = (
    rb"\((\d{1,12}(?:\.\d{1,9})?)\) [\w.\-]{1,32} ([0-9A-Fa-f]{3,8})#"
    rb"((?:[0-9A-Fa-f]{2}){0,8}|R\d?|#[0-9A-Fa-f](?:[0-9A-Fa-f]{2}){0,64})(?: [RT])?[ \t\r]*"
)
_LINE = re.compile(_FRAME)
_LINES = re.compile(rb"^" + _FRAME + rb"$", re.MULTILINE)

Parts = tuple[bytes, bytes, bytes]
Taken = tuple[float, int, bytes]
"""Time [s], frame key, payload."""


def log_frames(file: IO[bytes], wanted: frozenset[int], outcome: CaptureOutcome) -> Iterator[Taken]:
    """Yield the wanted data frames of a candump log, and the first frame whatever it is.

    Parameters
    ----------
    file : binary file
        Lines such as `(1767596400.000000) can0 356#C0141EFBB7000000`; 8 digits of identifier mean 29 bits,
        `##` a longer frame, `#R` a remote one; the direction may follow.
        Source: candump of can-utils, option -L.
    wanted : frozenset of int
        Frame keys.
    outcome : CaptureOutcome
        Frames are counted in it, and lines that are none.

    Yields
    ------
    (float, int, bytes)
        Time as written [s], frame key (`UNWANTED` for a first frame that nobody wants), payload.
    """
    keys: dict[bytes, int] = {}
    for number, block in _blocks(file, outcome):
        parts = _LINES.findall(block)
        if len(parts) != block.count(b"\n"):
            parts = _one_by_one(block, number, outcome)
        if parts and not outcome.frames:
            yield float(parts[0][0]), UNWANTED, b""
        outcome.frames += len(parts)
        for time_s, digits, data in parts:
            key = keys.get(digits)
            if key is None:
                if len(keys) >= _MOST_IDS:
                    keys.clear()
                key = keys[digits] = _key(digits, wanted)
            if key >= 0 and not data.startswith(b"R"):
                yield float(time_s), key, unhexlify(data[2:] if data.startswith(b"#") else data)


def _key(digits: bytes, wanted: frozenset[int]) -> int:
    can_id = int(digits, 16)
    key = frame_key(can_id, extended=len(digits) > 3)
    return key if key in wanted and can_id <= 0x1FFFFFFF else UNWANTED  # above: error frames


def _blocks(file: IO[bytes], outcome: CaptureOutcome) -> Iterator[tuple[int, bytes]]:
    """Yield whole lines, with the number of the first; a line without end is given up, not kept."""
    number, rest, endless = 1, b"", False
    while piece := file.read(BLOCK):
        outcome.bytes_read += len(piece)
        block = rest + piece
        cut = block.rfind(b"\n") + 1
        rest, block = block[cut:], block[:cut]
        if endless and block:  # the end of a line that was given up
            block, number = block[block.index(b"\n") + 1 :], number + 1
            endless = False
        if len(rest) > LONGEST_LINE:
            first = number + block.count(b"\n")
            if not endless:
                outcome.reject(first, rest[:80].decode("ascii", "replace"))
            rest, endless = b"", True
        if block:
            yield number, block
            number += block.count(b"\n")
    if rest and not endless:
        yield number, rest + b"\n"


def _one_by_one(block: bytes, number: int, outcome: CaptureOutcome) -> list[Parts]:
    parts: list[Parts] = []
    for place, line in enumerate(block.split(b"\n"), start=number):
        match = _LINE.fullmatch(line)
        if match:
            parts.append((match[1], match[2], match[3]))
        elif line.strip():
            outcome.reject(place, line[:LONGEST_LINE].decode("ascii", "replace"))
    return parts
