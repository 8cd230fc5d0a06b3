"""One Modbus wire, serial or TCP, shared by every unit on it: one request at a time, each with a time-out.

The library's client is thrown away and made anew on every reconnection, because its serial transport does
not reopen a port that went away.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import time
import weakref
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from adapters.errors import BadFrame, SourceLost, SourceTimeout
from adapters.gate import Framing, ask_registers, watch_modbus
from adapters.places import Place, SerialPlace, TcpPlace, why_not

if TYPE_CHECKING:
    from pymodbus.client.base import ModbusBaseClient
    from pymodbus.pdu import ModbusPDU

QUARANTINE_S = 3.5
"""A silent unit on a shared line is asked again only after this long, to spare the others; less than the
recorder's longest wait, which would double otherwise. [s]"""
SILENT_AFTER = 3
"""Time-outs in a row after which a unit counts as silent, and a line as lost."""
LEAST_DRAIN_S = 0.3
"""Wait after a time-out, at least, before the next question: a late answer carries nothing that tells it from
the answer to that one. Otherwise as long as the time-out itself. [s]"""
BUSY = {
    5: "acknowledge (still working)",
    6: "busy",
    10: "gateway path unavailable",
    11: "no answer behind the gateway",
}
"""Exception codes that pass by themselves. Source: Modbus Application Protocol V1.1b3 (2012), section 7."""
MISFIT = {1: "illegal function", 2: "no such register", 3: "illegal count"}
"""Exception codes that say that the map does not fit. Source: as above."""


class NoSuchRegister(BadFrame):
    """The unit answered that it has no such function or register: the map does not fit."""


class Line:
    """A wire and the client on it. Get one with `line_to`, give it back with `leave`."""

    def __init__(self, place: Place) -> None:
        self.place = place
        self.users = 0
        self.drain_s: float | None = None
        self.load: dict[int, float] = {}
        self._client: ModbusBaseClient | None = None
        self._lock = asyncio.Lock()
        self._free_at = 0.0
        self._bytes_seen_at = 0.0
        self._silent: dict[int, tuple[int, float]] = {}
        self._timeouts = 0

    def claim(self, user: object, share: float) -> None:
        """Note what part of the wire's time a user needs, if every round is to be on time."""
        self.load[id(user)] = share

    def speaks(self, user: object) -> bool:
        """Whether a user is the one of all on the line who tells what concerns all of them."""
        return next(iter(self.load), None) == id(user)

    async def connect(self, timeout_s: float) -> None:
        """Connect unless connected. Raises SourceLost with the reason."""
        async with self._lock:
            if self._client is not None and self._client.connected:
                return
            self._drop()
            client = self._new_client()
            try:
                async with asyncio.timeout(timeout_s):
                    connected = await client.connect()
            except TimeoutError:
                connected = False
            except (OSError, ValueError) as exc:
                client.close()
                raise SourceLost(f"{self.place}: {exc}", "check cable and port") from exc
            if not connected:
                client.close()
                why, remedy = await asyncio.to_thread(why_not, self.place)
                raise SourceLost(f"{self.place}: {why}", remedy)
            self._client = client
            self._timeouts = 0

    async def ask(
        self, *, function: int, address: int, count: int, unit: int, timeout_s: float, pause_s: float = 0.0
    ) -> Sequence[int]:
        """Read registers, waiting for the line to be free.

        Parameters
        ----------
        function, address, count, unit : int
            As in `adapters.gate.ask_registers`.
        timeout_s : float
            Longest wait for the answer. [s]
        pause_s : float
            Silence the unit wants before a request. [s]

        Returns
        -------
        sequence of int, shape (count,)
            The registers.

        Raises
        ------
        SourceTimeout
            No answer, or the unit was silent lately and others share the line.
        BadFrame
            An answer that cannot be right, twice; or the unit says it is busy.
        NoSuchRegister
            The unit has no such register.
        SourceLost
            The wire is gone.
        """
        where = f"{self.place} unit {unit}"
        async with self._lock:
            self._refuse_silent(unit, where)
            try:
                answer = await self._twice(function, address, count, unit, timeout_s, pause_s)
            except SourceTimeout:
                self._note_timeout(unit)
                raise
            self._silent.pop(unit, None)
            self._timeouts = 0
            return answer

    async def _twice(
        self, function: int, address: int, count: int, unit: int, timeout_s: float, pause_s: float
    ) -> Sequence[int]:
        """Ask again, once, after an answer that cannot be right."""
        try:
            return await self._once(function, address, count, unit, timeout_s, pause_s)
        except NoSuchRegister:
            raise
        except BadFrame:
            return await self._once(function, address, count, unit, timeout_s, pause_s)

    async def _once(
        self, function: int, address: int, count: int, unit: int, timeout_s: float, pause_s: float
    ) -> Sequence[int]:
        where = f"{self.place} unit {unit}"
        client = self._client
        if client is None or not client.connected:
            self._drop()
            raise SourceLost(f"{self.place}: the connection is gone", "it is opened again by itself")
        await self._wait_for_silence(pause_s)
        began = time.monotonic()
        try:
            async with asyncio.timeout(timeout_s):
                answer = await ask_registers(
                    client, function=function, address=address, count=count, unit=unit
                )
        except TimeoutError as exc:
            self._free_at = time.monotonic() + self._drain_s(timeout_s)
            raise self._no_answer(where, began, timeout_s) from exc
        except Exception as exc:
            self._free_at = time.monotonic()
            raise self._translated(exc, where) from exc
        self._free_at = time.monotonic()
        return _registers(answer, function, count, f"{where}, registers {address} to {address + count - 1}")

    def _drain_s(self, timeout_s: float) -> float:
        """How long to wait for a late answer to pass; TCP frames carry a number and need no wait. [s]"""
        if isinstance(self.place, TcpPlace) and self.place.framing == "tcp":
            return 0.0
        return self.drain_s if self.drain_s is not None else max(LEAST_DRAIN_S, timeout_s)

    def _no_answer(self, where: str, began: float, timeout_s: float) -> Exception:
        if self._client is None or not self._client.connected:
            self._drop()
            return SourceLost(f"{self.place}: the peer closed the connection", "it is opened again by itself")
        if self._bytes_seen_at >= began:
            return BadFrame(
                f"{where}: part of an answer, or one with a wrong checksum", "check wiring and speed"
            )
        return SourceTimeout(f"{where}: no answer in {timeout_s:g} s", "check unit id, speed and wiring")

    def _translated(self, exc: Exception, where: str) -> Exception:
        from pymodbus.exceptions import ConnectionException, ModbusException

        if isinstance(exc, ConnectionException | OSError) and not isinstance(exc, PermissionError):
            self._drop()
            return SourceLost(f"{self.place}: {exc}", "it is opened again by itself")
        if isinstance(exc, ModbusException | ValueError):
            return BadFrame(f"{where}: {exc}", "check wiring")
        return exc

    async def _wait_for_silence(self, pause_s: float) -> None:
        gap_s = max(pause_s, self.place.gap_s if isinstance(self.place, SerialPlace) else 0.0)
        give_up = max(time.monotonic(), self._free_at) + 2.0
        while (now := time.monotonic()) < give_up:
            quiet_at = max(self._free_at + gap_s, self._bytes_seen_at + gap_s if gap_s else 0.0)
            if now >= quiet_at:
                return
            await asyncio.sleep(quiet_at - now)

    def _refuse_silent(self, unit: int, where: str) -> None:
        count, since = self._silent.get(unit, (0, 0.0))
        wait_s = since + QUARANTINE_S - time.monotonic()
        if self.users > 1 and count >= SILENT_AFTER and wait_s > 0:
            raise SourceTimeout(f"{where}: silent; asked again in {wait_s:.0f} s", "check unit id and wiring")

    def _note_timeout(self, unit: int) -> None:
        count, _ = self._silent.get(unit, (0, 0.0))
        self._silent[unit] = (count + 1, time.monotonic())
        self._timeouts += 1
        if self._timeouts >= SILENT_AFTER * max(1, self.users):
            self._drop()

    def _new_client(self) -> ModbusBaseClient:
        # Our own errors tell the user; the library's lines would repeat them every second.
        logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL)
        logging.getLogger("asyncio").addFilter(_not_the_librarys)
        from pymodbus import FramerType
        from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient

        if isinstance(self.place, TcpPlace):
            framing = self.place.framing
            framer = FramerType.SOCKET if framing == "tcp" else FramerType.RTU
            return AsyncModbusTcpClient(
                self.place.host,
                port=self.place.port,
                framer=framer,
                timeout=60,
                retries=0,
                reconnect_delay=0,
                trace_packet=self._watched(framing),
            )
        return AsyncModbusSerialClient(
            self.place.port,
            baudrate=self.place.baud,
            parity=self.place.parity,
            stopbits=self.place.stopbits,
            timeout=60,
            retries=0,
            reconnect_delay=0,
            trace_packet=self._watched("rtu"),
        )

    def _watched(self, framing: Framing) -> Callable[[bool, bytes], bytes]:
        gate = watch_modbus(framing)

        def hook(sending: bool, packet: bytes) -> bytes:
            if not sending:
                self._bytes_seen_at = time.monotonic()
            return gate(sending, packet)

        return hook

    def _drop(self) -> None:
        if self._client is not None:
            with contextlib.suppress(Exception):
                self._client.close()
        self._client = None

    def leave(self, user: object = None) -> None:
        """One user less; the last one closes the wire."""
        self.load.pop(id(user), None)
        self.users -= 1
        if self.users <= 0:
            self._drop()
            _lines_here().pop(self.place, None)


def _not_the_librarys(record: logging.LogRecord) -> bool:
    """Whether a log line is not about an answer that the library could not decode: the reader hears of it."""
    from pymodbus.exceptions import ModbusException

    return not (record.exc_info and isinstance(record.exc_info[1], ModbusException))


_LINES: weakref.WeakKeyDictionary[asyncio.AbstractEventLoop, dict[Place, Line]] = weakref.WeakKeyDictionary()


def _lines_here() -> dict[Place, Line]:
    return _LINES.setdefault(asyncio.get_running_loop(), {})


def line_to(place: Place) -> Line:
    """Return the line to a place, the same one for everybody in this event loop; counts its users."""
    line = _lines_here().setdefault(place, Line(place))
    line.users += 1
    return line


def _registers(answer: ModbusPDU, function: int, count: int, where: str) -> Sequence[int]:
    if answer.isError():
        code = answer.exception_code
        if code in MISFIT:
            raise NoSuchRegister(f"{where}: the unit answers: {MISFIT[code]}", "check map and model")
        what = BUSY.get(code, "failure")
        if code in {10, 11}:
            raise SourceTimeout(f"{where}: {what}", "check the wiring behind the gateway")
        raise BadFrame(f"{where}: the unit answers: {what} (code {code})", "it is asked again by itself")
    if answer.function_code != function or len(answer.registers) != count:
        raise BadFrame(
            f"{where}: the answer belongs to another question", "check for a second master on the line"
        )
    return answer.registers
