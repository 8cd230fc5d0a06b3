"""Frames from serial adapters and drivers, held to the library's own reading of the same bytes."""

from __future__ import annotations

import time
from itertools import pairwise
from queue import SimpleQueue
from typing import Any

import can
import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.binding import EXTENDED
from adapters.can_inlet import AT_ONCE, DriverInlet, SerialInlet, inlet_of
from adapters.errors import SourceLost
from adapters.gate import ListenOnlyBus

Frame = tuple[int, bytes]


class _Port:
    """A serial port with bytes waiting in it, in pieces."""

    def __init__(self, pieces: list[bytes]) -> None:
        self._pieces = pieces

    @property
    def in_waiting(self) -> int:
        return len(self._pieces[0]) if self._pieces else 0

    def read(self, size: int) -> bytes:
        if not self._pieces:
            return b""
        piece = self._pieces.pop(0)
        if len(piece) > size:
            self._pieces.insert(0, piece[size:])
        return piece[:size]


class _Bus:
    """Stands in for a bus of the library: only what the gate and the inlets use."""

    def __init__(self, pieces: list[bytes] | None = None, frames: list[can.Message] | None = None) -> None:
        if pieces is not None:
            self.serialPortOrig = _Port(pieces)
        self._frames = frames or []

    def recv(self, _: float) -> can.Message | None:
        return self._frames.pop(0) if self._frames else None

    def send(self, *_: object) -> None:
        raise AssertionError

    _send_periodic_internal = send


def taken(pieces: list[bytes]) -> tuple[list[Frame], int]:
    """Frames in bytes that come in pieces, and how often there was nothing but noise."""
    frames: list[Frame] = []
    inlet = SerialInlet(ListenOnlyBus(_Bus(pieces)))  # type: ignore[arg-type] # stands in for a bus
    noise = 0
    while pieces:
        try:
            inlet.pump(0.1, lambda key, data, _, __: frames.append((key, bytes(data))))
        except ValueError:
            noise += 1
    return frames, noise


def theirs(text: bytes) -> list[Frame]:
    """Data frames in the same bytes as python-can reads them."""
    from can.interfaces.slcan import slcanBus

    bus = slcanBus.__new__(slcanBus)
    bus._buffer = bytearray()  # noqa: SLF001 - its constructor would open a port
    bus.serialPortOrig = _Port([text])
    bus._queue = SimpleQueue()  # noqa: SLF001 - as above
    frames = []
    while bus.serialPortOrig.in_waiting:
        message, _ = bus._recv_internal(0)  # noqa: SLF001 - without its waiting
        if message is not None and not message.is_remote_frame and not message.is_fd:
            extended = EXTENDED if message.is_extended_id else 0
            frames.append((message.arbitration_id | extended, bytes(message.data)))
    return frames


def line(frame: Frame) -> bytes:
    """A frame as an adapter writes it."""
    key, data = frame
    head = f"T{key & ~EXTENDED:08X}" if key & EXTENDED else f"t{key:03x}"
    return f"{head}{len(data)}{data.hex()}\r".encode()


frames_in = st.tuples(
    st.one_of(st.integers(0, 0x7FF), st.integers(EXTENDED, EXTENDED | 0x1FFFFFFF)),
    st.binary(max_size=8),
)


@given(st.lists(frames_in, max_size=20), st.lists(st.integers(0, 60), max_size=5))
def test_frames_survive_any_cutting(frames: list[Frame], cuts: list[int]) -> None:
    text = b"".join(map(line, frames))
    at = sorted({min(cut, len(text)) for cut in cuts} | {0, len(text)})
    pieces = [text[a:b] for a, b in pairwise(at) if b > a]
    assert taken(pieces) == (frames, 0)
    assert theirs(text) == frames


@given(st.binary(max_size=300))
def test_noise_makes_no_frame_that_is_none(text: bytes) -> None:
    for key, data in taken([text] if text else [])[0]:
        assert key & ~EXTENDED <= (0x1FFFFFFF if key & EXTENDED else 0x7FF)
        assert len(data) <= 8


def test_time_stamps_answers_and_remote_frames_are_passed_over() -> None:
    text = b"\r\r\az\rV1013\rr3560\rt3562C0141A2B\rT18FF50E51FF\r"
    assert taken([text]) == ([(0x356, b"\xc0\x14"), (EXTENDED | 0x18FF50E5, b"\xff")], 0)
    assert theirs(text) == taken([text])[0]


def test_noise_alone_is_told_and_does_not_gather() -> None:
    assert taken([b"\x00\xff\r" * 10]) == ([], 1)
    assert taken([b"t" * 3000, b"t" * 3000, line((0x356, b"\x01"))]) == ([(0x356, b"\x01")], 1)


def test_a_driver_is_emptied_in_one_go() -> None:
    frames = [can.Message(arbitration_id=n, is_extended_id=False, data=[n]) for n in range(5)]
    frames.insert(2, can.Message(arbitration_id=9, is_remote_frame=True))
    got: list[Any] = []
    listening = ListenOnlyBus(_Bus(frames=[*frames, *frames * AT_ONCE]))  # type: ignore[arg-type] # as above
    inlet = inlet_of(listening, "can here")
    assert isinstance(inlet, DriverInlet)
    before = time.monotonic()
    assert inlet.pump(0.1, lambda key, data, now_s, frame: got.append((key, bytes(data), now_s, frame)))
    assert [key for key, *_ in got[:5]] == [0, 1, 2, 3, 4]
    assert len(got) <= AT_ONCE
    assert before <= got[0][2] <= time.monotonic()
    assert got[0][3] is frames[0]


def test_bus_off_ends_it() -> None:
    """Error class 0x40. Source: Linux, include/uapi/linux/can/error.h. 0x8 is a protocol violation."""
    passing = can.Message(is_error_frame=True, arbitration_id=0x8, dlc=8, data=bytes(8))
    off = can.Message(is_error_frame=True, arbitration_id=0x40, dlc=8, data=bytes(8))
    listening = ListenOnlyBus(_Bus(frames=[passing, off]))  # type: ignore[arg-type] # as above
    with pytest.raises(SourceLost, match="bus-off"):
        DriverInlet(listening, "can here").pump(0.1, lambda *_: None)
