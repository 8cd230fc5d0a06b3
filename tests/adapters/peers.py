"""Real peers for the adapters: Modbus servers, serial lines over pseudo-terminals, CAN senders."""

from __future__ import annotations

import asyncio
import contextlib
import os
import select
import struct
import threading
import tty
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import crcmod.predefined

from adapters.modbus import ModbusAdapter
from adapters.registry import config_from, make

crc: Callable[[bytes], int] = crcmod.predefined.mkCrcFun("modbus")
"""CRC of another library, so that peers do not share code with what is tested."""

CELLS = [3300 + n for n in range(16)]
"""Cells of the test pack. [mV]"""
REGISTERS = {
    0x0000: [5312, (-125) & 0xFFFF, 874, 990],
    0x0010: CELLS,
    0x0030: [183, 0xFF9C, 0x8000, 0xFFFF],
    0x0040: [0b101, 0b10, 16],
    0x0050: [0x0001, 0x86A0],
    0x0060: [0x4841, 0x4C4C, 0x2D31, 0],
}
MAP = """
[map]
name = "test-pack"
source = "tests/adapters/peers.py"
[[register]]
channel = "pack_v"
address = 0
type = "u16"
scale = 0.01
unit = "V"
[[register]]
channel = "pack_a"
address = 1
type = "s16"
scale = 0.1
unit = "A"
positive = "charge"
[[register]]
channel = "soc"
address = 2
type = "u16"
scale = 0.1
unit = "%"
[[register]]
channel = "cell_01_v"
count = 16
address = 0x10
type = "u16"
unit = "mV"
[[register]]
channel = "temp_1"
count = 4
address = 0x30
type = "s16"
scale = 0.1
unit = "°C"
absent = [0x8000, 0xFFFF]
[[register]]
channel = "heater_on"
address = 0x40
type = "u16"
bit = 2
[[register]]
channel = "warnings"
address = 0x41
type = "u16"
bits = { 1 = "cold" }
[[check]]
says = "number of cells"
address = 0x42
type = "u16"
equals = [16]
[[identity]]
name = "serial"
address = 0x60
length = 4
"""
EXPECTED = {
    "pack_v": 5312,  # 53.12 V at 0.01 V
    "pack_a": -1250,  # -12.5 A at 0.01 A
    "soc": 8740,  # 87.4 % at 0.0001
    **{f"cell_{n + 1:02d}_v": cell for n, cell in enumerate(CELLS)},
    "temp_1": 183,  # 18.3 °C
    "temp_2": -100,  # 0xFF9C = -100; 0x8000 and 0xFFFF are absent
    "heater_on": 1,
    "warnings": 2,
}


def image(blocks: Mapping[int, Sequence[int]], size: int = 0x100) -> list[int]:
    """One stretch of registers from scattered blocks."""
    words = [0] * size
    for start, block in blocks.items():
        words[start : start + len(block)] = block
    return words


class SerialWire:
    """A pseudo-terminal whose far end is ours. `path` is what the adapter opens."""

    def __init__(self) -> None:
        self.master, self._slave = os.openpty()
        tty.setraw(self.master)
        tty.setraw(self._slave)
        self.path = os.ttyname(self._slave)
        self.received = bytearray()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    def serve(self, answer: Callable[[bytes], bytes | None]) -> None:
        """Answer what comes with `answer(everything since the last answer)`."""

        def run() -> None:
            pending = b""
            while not self._stop.is_set():
                ready, _, _ = select.select([self.master], [], [], 0.05)
                if not ready:
                    continue
                try:
                    piece = os.read(self.master, 1024)
                except OSError:
                    return
                self.received += piece
                pending += piece
                reply = answer(pending)
                if reply is not None:
                    pending = b""
                    with contextlib.suppress(OSError):
                        os.write(self.master, reply)

        self._thread = threading.Thread(target=run, daemon=True)
        self._thread.start()

    def unplug(self) -> None:
        """Take the device away: reading from it fails from now on."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(1.0)
        for fd in (self.master, self._slave):
            with contextlib.suppress(OSError):
                os.close(fd)


class RtuUnit:
    """A Modbus RTU unit written out by hand; `spoil` may replace any reply."""

    def __init__(self, words: Sequence[int], units: Sequence[int] = (1,)) -> None:
        self.words = list(words)
        self.start = 40000 if words[0] == 0x5375 else 0
        self.units = units
        self.requests: list[bytes] = []
        self.spoil: Callable[[bytes], bytes | None] = lambda reply: reply

    def __call__(self, pending: bytes) -> bytes | None:
        if len(pending) < 8:
            return None
        request = pending[:8]
        self.requests.append(request)
        if crc(request[:6]) != struct.unpack("<H", request[6:])[0] or request[0] not in self.units:
            return b""
        unit, function, address, count = struct.unpack(">BBHH", request[:6])
        if function not in {3, 4}:
            body = bytes([unit, function | 0x80, 1])
        elif address < self.start or address + count > self.start + len(self.words):
            body = bytes([unit, function | 0x80, 2])
        else:
            words = self.words[address - self.start :][:count]
            body = struct.pack(f">BBB{count}H", unit, function, 2 * count, *words)
        return self.spoil(body + struct.pack("<H", crc(body))) or b""


@contextlib.asynccontextmanager
async def modbus_tcp(
    words: Sequence[int], *, port: int, units: Sequence[int] = (1,), start: int = 0
) -> AsyncIterator[None]:
    """A pymodbus TCP server with these registers."""
    from pymodbus.server import ModbusTcpServer
    from pymodbus.simulator import DataType, SimData, SimDevice

    devices = [
        SimDevice(unit, simdata=[SimData(start, values=list(words), datatype=DataType.REGISTERS)])
        for unit in units
    ]
    server = ModbusTcpServer(devices, address=("127.0.0.1", port))
    await server.serve_forever(background=True)
    try:
        yield
    finally:
        await server.shutdown()


Handler = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]


@contextlib.asynccontextmanager
async def tcp_peer(handle: Handler, port: int, patience_s: float = 0.0) -> AsyncIterator[None]:
    """A TCP server that does what a test says with every connection, and closes them all at the end.

    With patience it waits so long for them to come to their own end. [s]
    """
    writers: list[asyncio.StreamWriter] = []
    tasks: set[asyncio.Task[None]] = set()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writers.append(writer)
        tasks.add(asyncio.current_task())  # type: ignore[arg-type] # there is one
        with contextlib.suppress(ConnectionError, asyncio.IncompleteReadError):
            await handle(reader, writer)

    server = await asyncio.start_server(serve, "127.0.0.1", port)
    try:
        yield
    finally:
        server.close()
        if patience_s and tasks:
            await asyncio.wait(tasks, timeout=patience_s)
        for writer in writers:
            writer.close()
            with contextlib.suppress(ConnectionError):
                await writer.wait_closed()


def listener(came: bytearray) -> Handler:
    """A handler that keeps whatever is sent to it."""

    async def keep(reader: asyncio.StreamReader, _: asyncio.StreamWriter) -> None:
        while piece := await reader.read(1024):
            came.extend(piece)

    return keep


def rtu(port: str, map_file: Path, **keys: Any) -> ModbusAdapter:
    """The adapter of pack A on a serial line."""
    base = {"name": "a", "pack": "A", "port": port, "map": str(map_file), "baud": 115200, "timeout_s": 0.15}
    adapter = make(config_from("modbus-rtu", {**base, **keys}))
    assert isinstance(adapter, ModbusAdapter)
    return adapter
