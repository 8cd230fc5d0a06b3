"""Pack B on a CAN bus: a burst of frames every second, as a pack's electronics send them.

`maps/orchard-b.dbc` describes the frames; nothing here reads it.
"""

from __future__ import annotations

import os
import struct
import tty
from collections.abc import Mapping
from typing import Protocol

import can

STATUS, CELLS, TEMPS, STATE, LIMITS, CHARGE = 0x2B0, 0x2B1, 0x2B2, 0x2B3, 0x2B4, 0x2B5
CELLS_A_FRAME = 3
N_CELLS = 16

Values = Mapping[str, int]


def _u16(value: int | None, divisor: int = 1) -> int:
    return 0xFFFF if value is None else min(0xFFFE, max(0, round(value / divisor)))


def _s16(value: int | None, divisor: int = 1) -> int:
    return -32768 if value is None else min(32767, max(-32767, round(value / divisor)))


def frames(values: Values, counter: int) -> list[can.Message]:
    """Return one burst.

    Parameters
    ----------
    values : mapping
        Stored integers by channel.
    counter : int
        Runs from 0 to 255 with the bursts.

    Returns
    -------
    list of can.Message
        Status, six multiplexed frames of cells, temperatures, state, limits, charge; little-endian except
        the cells.
    """
    get = values.get
    soc, full = _u16(get("soc"), 10), _u16(get("full_ah"))
    flags = ("charge_enabled", "discharge_enabled", "heater_on", "balancing")
    state = sum((get(name, 0) & 1) << bit for bit, name in enumerate(flags))
    bits = [get(name, 0) & 0xFFFF for name in ("warnings", "protections", "balancing_cells")]
    temps = [_s16(get(f"temp_{i}")) for i in range(1, 6)]
    limits = [_u16(get("charge_limit_a")), _u16(get("discharge_limit_a")), _u16(get("charge_limit_v"), 10)]
    status = struct.pack("<HhHBB", _u16(get("pack_v")), _s16(get("pack_a"), 10), soc, 100, counter & 0xFF)
    payloads = [(STATUS, status)]
    for group in range(-(-N_CELLS // CELLS_A_FRAME)):
        first = group * CELLS_A_FRAME + 1
        cells = [_u16(get(f"cell_{i:02d}_v")) for i in range(first, first + CELLS_A_FRAME)]
        payloads.append((CELLS, struct.pack(">BHHH", group, *cells)))
    payloads += [
        (TEMPS, struct.pack("<hhhh", *temps[:4])),
        (STATE, struct.pack("<hBxHH", temps[4], state, *bits[:2])),
        (LIMITS, struct.pack("<HHHH", bits[2], *limits)),
        (CHARGE, struct.pack("<HH", _u16(get("remaining_ah")), full)),
    ]
    return [can.Message(arbitration_id=i, data=d, is_extended_id=False) for i, d in payloads]


class CanPort(Protocol):
    """Where frames leave."""

    def send(self, msg: can.Message) -> None:
        """Send one frame."""

    def shutdown(self) -> None:
        """Let go of the bus."""


class SlcanAdapter:
    """The adapter's end of a CAN-over-serial line on a pseudo-terminal, for machines without a network.

    It speaks the widespread ASCII form: `t` + 3 hex digits of id + length + data, each line closed by a
    carriage return; frames leave only after the other side has opened the channel with `O` or `L`.

    Attributes
    ----------
    port : str
        The device the other side opens.
    """

    def __init__(self) -> None:
        self._near, self._far = os.openpty()
        tty.setraw(self._near)
        tty.setraw(self._far)
        os.set_blocking(self._near, False)
        self.port = os.ttyname(self._far)
        self._heard = b""
        self._open = False

    def _listen(self) -> None:
        try:
            self._heard += os.read(self._near, 4096)
        except (BlockingIOError, OSError):
            return
        *lines, self._heard = self._heard.split(b"\r")
        for line in lines:
            if line[:1] in (b"O", b"L"):
                self._open = True
            elif line[:1] == b"C":
                self._open = False
            answer = {b"V": b"V1013\r", b"v": b"v0100\r", b"N": b"N0021\r"}.get(line[:1], b"\r")
            self._write(answer)

    def _write(self, line: bytes) -> None:
        try:
            os.write(self._near, line)
        except BlockingIOError:
            # Nobody reads: a real adapter drops frames when its buffer is full.
            return

    def send(self, msg: can.Message) -> None:
        """Send one frame if the channel is open."""
        self._listen()
        if self._open:
            self._write(
                f"t{msg.arbitration_id:03X}{msg.dlc}{bytes(msg.data).hex().upper()}\r".encode("ascii")
            )

    def shutdown(self) -> None:
        """Close both ends."""
        os.close(self._near)
        os.close(self._far)
