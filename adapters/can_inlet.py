"""How frames come in from a bus: everything that waits is taken at once, so that a full bus costs little."""

from __future__ import annotations

import re
import time
from binascii import unhexlify
from collections.abc import Callable
from typing import TYPE_CHECKING, Protocol

from adapters.binding import EXTENDED, frame_key
from adapters.errors import SourceLost
from adapters.gate import ListenOnlyBus

if TYPE_CHECKING:
    import can

AT_ONCE = 256
"""Most frames taken before looking at anything else."""
LONGEST_LINE = 4096
"""Bytes without the end of a line after which a serial adapter speaks something else. [bytes]"""
BUS_OFF = 0x40
"""Bit of an error frame's identifier. Source: Linux, include/uapi/linux/can/error.h, CAN_ERR_BUSOFF."""

Give = Callable[[int, "bytes | bytearray", float, "can.Message | None"], None]
"""What takes a frame: key, payload, when it was seen [s, monotonic], the driver's own object if any."""


class Inlet(Protocol):
    """Where frames come from.

    Attributes
    ----------
    rest_s : float
        How long frames may gather on a full bus without getting lost. [s]
    """

    rest_s: float

    def pump(self, timeout_s: float, give: Give) -> int:
        """Wait for a frame, give it and those behind it on; return how many came.

        Raises
        ------
        ValueError, LookupError
            If what came is no frame; whatever came before it was given.
        SourceLost
            If the bus is off.
        """
        ...


def inlet_of(bus: ListenOnlyBus, place: str) -> Inlet:
    """Return the quickest way in for a bus."""
    return SerialInlet(bus) if bus.is_serial else DriverInlet(bus, place)


class DriverInlet:
    """Frames one by one from the library's driver.

    A socket of Linux keeps some 270 frames (212,992 bytes, 768 each); a full bus brings 74 in 20 ms.
    """

    rest_s = 0.02

    def __init__(self, bus: ListenOnlyBus, place: str) -> None:
        self._bus = bus
        self._place = place

    def pump(self, timeout_s: float, give: Give) -> int:
        """See `Inlet.pump`."""
        recv = self._bus.recv
        frame = recv(timeout_s)
        now_s, count = time.monotonic(), 0
        while frame is not None:
            count += 1
            if frame.is_error_frame:
                self._judge(frame)
            elif not frame.is_remote_frame:
                can_id = frame.arbitration_id
                give(can_id | EXTENDED if frame.is_extended_id else can_id, frame.data, now_s, frame)
            if count >= AT_ONCE:
                break
            frame = recv(0.0)
        return count

    def _judge(self, frame: can.Message) -> None:
        if frame.arbitration_id & BUS_OFF:
            raise SourceLost(
                f"{self._place}: bus-off, too many errors", "check bit rate, wiring and termination"
            )


_END = re.compile(rb"[\r\a]")
_SHORT = re.compile(rb"t[0-7][0-9A-Fa-f]{2}[0-8]")
_LONG = re.compile(rb"[Tx][01][0-9A-Fa-f]{7}[0-8]")
_OTHER = frozenset(b"rRdDbBzZVvNFX")
"""First letters of lines that are neither data frames nor noise: remote and longer frames, answers."""


class SerialInlet:
    r"""Frames from a serial adapter's ASCII lines, many at a time; the library reads byte by byte.

    `tIIILDD…\r` is a frame with 11-bit identifier, `TIIIIIIIILDD…\r` one with 29 bits: identifier, length,
    data in hexadecimal; a time stamp may follow. `\r` alone and `\a` are answers to commands.
    Source: the line protocol of serial CAN adapters as Linux has it, drivers/net/can/slcan. A terminal
    of Linux keeps 4,095 bytes; a full bus brings 1,000 in 10 ms.
    """

    rest_s = 0.01

    def __init__(self, bus: ListenOnlyBus) -> None:
        self._bus = bus
        self._rest = b""
        self._heads: dict[bytes, tuple[int, int]] = {}

    def pump(self, timeout_s: float, give: Give) -> int:  # noqa: ARG002 - the port has a time-out of its own
        """See `Inlet.pump`; waits as long as the serial port's own time-out, which is shorter."""
        piece = self._bus.read_serial()
        if not piece:
            return 0
        now_s = time.monotonic()
        *lines, self._rest = _END.split(self._rest + piece)
        good = sum(self._line(line, now_s, give) for line in lines if line)
        if len(self._rest) > LONGEST_LINE:
            self._rest = b""
            raise ValueError("no end of a line")
        if not good and any(lines):
            raise ValueError("no frame among the lines")
        return good

    def _line(self, line: bytes, now_s: float, give: Give) -> bool:
        size = 5 if line.startswith(b"t") else 10
        head = line[:size]
        known = self._heads.get(head)
        if known is None:
            known = _head(head)
            if known is None:
                return line[0] in _OTHER
            if len(self._heads) < LONGEST_LINE:
                self._heads[head] = known
        key, length = known
        try:
            payload = unhexlify(line[size : size + 2 * length])
        except ValueError:
            return False
        if len(payload) != length:
            return False
        give(key, payload, now_s, None)
        return True


def _head(head: bytes) -> tuple[int, int] | None:
    """Key and length of a frame from the first part of its line; None if it is none.

    >>> _head(b"t3568"), _head(b"T18FF50E58"), _head(b"t9998")
    ((854, 8), (2566869221, 8), None)
    """
    if _SHORT.fullmatch(head):
        return frame_key(int(head[1:4], 16), extended=False), head[4] - 48
    if _LONG.fullmatch(head):
        return frame_key(int(head[1:9], 16), extended=True), head[9] - 48
    return None
