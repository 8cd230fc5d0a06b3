"""Modbus devices that go, hang and come back, with the real library over pseudo-terminals and sockets."""

from __future__ import annotations

import asyncio
import time
from pathlib import Path

import pytest

from adapters import modbus_line
from adapters.base import Adapter, Reading
from adapters.errors import SourceError, SourceLost, SourceTimeout
from adapters.registry import config_from, make
from tests.adapters import peers
from tests.adapters.peers import SerialWire, rtu
from tests.orchard import free_port

RECOVERY_S = 10.0
"""A source must be back this soon after its device. [s]"""


pytestmark = pytest.mark.usefixtures("short_drain")


async def _keep_trying(adapter: Adapter) -> float:
    """Do as the recorder does: read; after an error close and open again. Returns how long it took. [s]"""
    began = time.monotonic()
    while True:
        try:
            await adapter.read()
        except SourceError:
            await adapter.close()
            try:
                await adapter.open()
            except SourceError:
                await asyncio.sleep(0.1)
        else:
            return time.monotonic() - began


def test_serial_adapter_comes_back_under_another_name(map_file: Path, tmp_path: Path) -> None:
    stable = tmp_path / "by-id"

    async def main() -> None:
        first, second = SerialWire(), SerialWire()
        assert first.path != second.path
        for wire in (first, second):
            wire.serve(peers.RtuUnit(peers.image(peers.REGISTERS)))
        stable.symlink_to(first.path)
        adapter = rtu(str(stable), map_file)
        await adapter.open()
        await adapter.read()
        first.unplug()
        stable.unlink()
        with pytest.raises(SourceLost):
            await adapter.read()
        await adapter.close()
        with pytest.raises(SourceLost, match="no such port"):
            await adapter.open()
        stable.symlink_to(second.path)
        assert await _keep_trying(adapter) < RECOVERY_S
        await adapter.close()
        second.unplug()

    asyncio.run(main())


def test_silent_unit_does_not_slow_the_others(
    wire: SerialWire, map_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    unit = peers.RtuUnit(peers.image(peers.REGISTERS), units=[1, 2])
    wire.serve(unit)

    async def main() -> None:
        good, bad = rtu(wire.path, map_file, unit=1), rtu(wire.path, map_file, unit=2, pack="B")
        await good.open()
        await bad.open()
        unit.units = [1]
        for _ in range(3):
            with pytest.raises(SourceTimeout, match="no answer"):
                await bad.read()
            assert (await good.read()).values == peers.EXPECTED
        asked = len(unit.requests)
        with pytest.raises(SourceTimeout, match="asked again in"):
            await bad.read()
        assert len(unit.requests) == asked
        assert (await good.read()).values == peers.EXPECTED
        monkeypatch.setattr(modbus_line, "QUARANTINE_S", 0.0)
        unit.units = [1, 2]
        assert (await bad.read()).values == peers.EXPECTED
        await good.close()
        assert (await bad.read()).values == peers.EXPECTED  # the line stays while somebody uses it
        await bad.close()

    asyncio.run(main())


def _tcp(port: int, map_file: Path, timeout_s: float, pack: str = "A") -> Adapter:
    keys = {"name": pack, "pack": pack, "host": "127.0.0.1", "port": port, "map": str(map_file)}
    return make(config_from("modbus-tcp", keys | {"timeout_s": timeout_s}))


def test_tcp_peer_that_accepts_and_says_nothing(map_file: Path) -> None:
    async def main() -> None:
        port = free_port()
        adapter = _tcp(port, map_file, 0.1)
        async with peers.tcp_peer(peers.listener(bytearray()), port), asyncio.timeout(30):
            with pytest.raises(SourceTimeout, match=r"no answer in 0\.1 s"):
                await adapter.open()
        async with peers.modbus_tcp(peers.image(peers.REGISTERS), port=port):
            await adapter.open()
            assert (await adapter.read()).values == peers.EXPECTED
            await adapter.close()

    asyncio.run(main())


@pytest.mark.parametrize("noise", [b"\0" * 300, b"HTTP/1.1 400 Bad Request\r\n\r\n", bytes(range(256))])
def test_tcp_peer_that_speaks_something_else(map_file: Path, noise: bytes) -> None:
    async def babble(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while await reader.read(100):
            writer.write(noise)

    async def main() -> None:
        port = free_port()
        adapter = _tcp(port, map_file, 0.1)
        async with peers.tcp_peer(babble, port, patience_s=5.0), asyncio.timeout(30):
            with pytest.raises(SourceError):
                await adapter.open()
            await adapter.close()

    asyncio.run(main())


def test_one_lost_source_leaves_the_others_alone(wire: SerialWire, map_file: Path) -> None:
    wire.serve(peers.RtuUnit(peers.image(peers.REGISTERS)))

    async def main() -> None:
        port = free_port()
        tcp, serial = _tcp(port, map_file, 0.2, "B"), rtu(wire.path, map_file)
        async with peers.modbus_tcp(peers.image(peers.REGISTERS), port=port):
            await tcp.open()
            await serial.open()
            await asyncio.gather(tcp.read(), serial.read())
        results = await asyncio.gather(tcp.read(), serial.read(), return_exceptions=True)
        assert isinstance(results[0], SourceError)
        assert isinstance(results[1], Reading)
        assert results[1].values == peers.EXPECTED
        await tcp.close()
        await serial.close()

    asyncio.run(main())
