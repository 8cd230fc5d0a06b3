"""The one place where bytes leave. Everything bankbook sends to a bus passes here, and only this may pass.

- Modbus: requests with function code 3 (read holding registers) or 4 (read input registers), nothing else.
- CAN: nothing, unless the source says `allow_requests = true`; then exactly the request frames that its
  binding lists, nothing else.

`watch_modbus` sits at the lowest level the Modbus library offers and sees the bytes of every frame just
before they are written, however the call came about; `ListenOnlyBus` hides a CAN bus and replaces its way
out. Not covered, because they go to the adapter in the computer and not to the bus: opening a port,
setting its speed, and the ASCII set-up lines of a serial CAN adapter.
"""

from __future__ import annotations

import contextlib
import socket
import struct
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from adapters.errors import BankbookError

if TYPE_CHECKING:
    import can
    from pymodbus.client.base import ModbusBaseClient
    from pymodbus.pdu import ModbusPDU

READ_FUNCTIONS = frozenset({3, 4})
"""Function codes that read registers. Source: Modbus Application Protocol V1.1b3 (2012), 6.3 and 6.4."""

_SO_MEMINFO = 55

Framing = Literal["tcp", "rtu"]


class GateClosedError(BankbookError, PermissionError):
    """Something tried to send what bankbook never sends. A defect: it stays inside."""


def watch_modbus(framing: Framing) -> Callable[[bool, bytes], bytes]:
    """Return the hook that lets only register reads out of a Modbus client.

    Parameters
    ----------
    framing : {"tcp", "rtu"}
        How the frames are wrapped: 7 bytes of header before the function code, or the unit id alone.

    Returns
    -------
    callable
        `(sending, packet) -> packet`, for the client's `trace_packet`. Raises GateClosedError.
    """
    at = 7 if framing == "tcp" else 1
    length = 12 if framing == "tcp" else 8

    def hook(sending: bool, packet: bytes) -> bytes:
        if sending and (len(packet) != length or packet[at] not in READ_FUNCTIONS):
            code = packet[at] if len(packet) > at else -1
            raise GateClosedError(
                f"refused to send Modbus function {code}", "bankbook only reads; report this"
            )
        return packet

    return hook


async def ask_registers(
    client: ModbusBaseClient, *, function: int, address: int, count: int, unit: int
) -> ModbusPDU:
    """Send one read request and wait for its answer.

    Parameters
    ----------
    client : ModbusBaseClient
        A client whose `trace_packet` is `watch_modbus`.
    function : {3, 4}
        Function code.
    address, count : int
        First register on the wire, and how many (1 to 125).
    unit : int
        Unit id.

    Raises
    ------
    GateClosedError
        For any other function, or a count outside the standard.
    """
    if function not in READ_FUNCTIONS or not 1 <= count <= 125:
        raise GateClosedError(f"refused function {function}, {count} registers", "bankbook only reads")
    if function == 3:
        return await client.read_holding_registers(address, count=count, device_id=unit)
    return await client.read_input_registers(address, count=count, device_id=unit)


@dataclass(frozen=True, slots=True)
class RequestFrame:
    """A CAN frame that a binding says the pack wants to be asked with.

    Attributes
    ----------
    can_id : int
        Identifier, 11 or 29 bits.
    extended : bool
        Whether it has 29 bits.
    payload : bytes
        0 to 8 bytes.
    every_s : float
        How often to ask. [s]
    """

    can_id: int
    extended: bool
    payload: bytes
    every_s: float


class ListenOnlyBus:
    """A CAN bus with its way out closed, but for the request frames it was made with.

    Parameters
    ----------
    bus : can.BusABC
        An open bus. Its `send` is replaced, so that nobody else who holds it can send either.
    requests : sequence of RequestFrame
        Frames that may leave; empty unless the configuration allows requests.
    """

    def __init__(self, bus: can.BusABC, requests: Sequence[RequestFrame] = ()) -> None:
        self._bus = bus
        self._way_out = bus.send
        self._allowed = frozenset((r.can_id, r.extended, r.payload) for r in requests)
        # The library's buses are plain objects; every send and every periodic task goes through these two.
        for name in ("send", "_send_periodic_internal"):
            setattr(bus, name, self._refuse)

    @staticmethod
    def _refuse(*_: object, **__: object) -> None:
        raise GateClosedError("refused to send a CAN frame", "bankbook only listens; report this")

    def recv(self, timeout_s: float) -> can.Message | None:
        """Wait for the next frame. [s]"""
        return self._bus.recv(timeout_s)

    @property
    def is_serial(self) -> bool:
        """Whether the bus comes as lines of text over a serial port."""
        return hasattr(self._bus, "serialPortOrig")

    def read_serial(self) -> bytes:
        """Return all that waits at that port; waits for the port's own time-out if nothing does."""
        port = self._bus.serialPortOrig  # type: ignore[attr-defined] # slcan's
        piece: bytes = port.read(max(1, port.in_waiting))
        return piece

    def ask(self, request: RequestFrame) -> None:
        """Send a request frame, if it is one of those allowed.

        Raises
        ------
        GateClosedError
            For any other frame.
        """
        if (request.can_id, request.extended, request.payload) not in self._allowed:
            self._refuse()
        import can

        frame = can.Message(
            arbitration_id=request.can_id, is_extended_id=request.extended, data=request.payload
        )
        self._way_out(frame, timeout=0.2)

    def narrow(self, keys: Iterable[tuple[int, bool]] | None) -> None:
        """Let the kernel hand over only these frames, (identifier, 29 bits?); None lets everything through.

        Only where the kernel does it: in Python, looking at every frame twice would cost more than it saves.
        Error frames come in either case.
        """
        if not hasattr(self._bus, "socket"):
            return
        filters: list[dict[str, int | bool]] | None = None
        if keys is not None:
            filters = [
                {"can_id": can_id, "can_mask": 0x1FFFFFFF if extended else 0x7FF, "extended": extended}
                for can_id, extended in sorted(keys)
            ]
        self._bus.set_filters(filters)  # type: ignore[arg-type] # its TypedDict, spelt out

    @property
    def dropped(self) -> int:
        """Frames that the kernel threw away because we were too slow, since the bus was opened.

        Source: Linux, include/uapi/linux/sock_diag.h, SK_MEMINFO_DROPS, through SO_MEMINFO.
        """
        try:
            info = self._bus.socket.getsockopt(socket.SOL_SOCKET, _SO_MEMINFO, 36)  # type: ignore[attr-defined] # socketcan's
            return int(struct.unpack("9I", info)[8])
        except (AttributeError, OSError, struct.error):
            return 0

    @property
    def hung_up(self) -> bool:
        """Whether the far end of a bus that comes over TCP has closed; its driver does not notice."""
        for part in vars(self._bus).values():
            if isinstance(part, socket.socket) and part.type == socket.SOCK_STREAM:
                try:
                    return part.recv(1, socket.MSG_PEEK | socket.MSG_DONTWAIT) == b""
                except BlockingIOError:
                    return False
                except OSError:
                    return True
        return False

    def shutdown(self) -> None:
        """Close the bus. Never raises."""
        with contextlib.suppress(Exception):
            self._bus.shutdown()
