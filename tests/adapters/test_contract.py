"""One suite over every adapter, each against a real peer."""

# ruff: noqa: ARG001 - the makers of cases share one signature
from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import can
import pytest

from adapters import can_port
from adapters.base import Adapter, Reading
from adapters.channels import CATALOGUE
from adapters.errors import SourceError
from adapters.registry import KINDS, config_from, make
from tests.adapters import peers
from tests.orchard import free_port

LOOP = "common-closed-loop"
FRAMES = (  # layout: common practice, no source; decoded values by hand
    (0x351, "3002D007D007C001"),
    (0x355, "5700630015220000"),
    (0x356, "C0141EFBB7000000"),
)
LOOP_EXPECTED = {
    "charge_limit_v": 5600,
    "soc": 8700,
    "soh": 9900,
    "pack_v": 5312,
    "pack_a": -12500,
    "temp_1": 183,
}


@dataclass
class Case:
    """A way to set up a peer and what an adapter must read from it."""

    kind: str
    keys: dict[str, Any]
    expected: dict[str, int]
    up: Callable[[], contextlib.AbstractAsyncContextManager[None]]
    silent_is: str = "lost"


async def _send(bus: can.BusABC) -> None:
    while True:
        for can_id, payload in FRAMES:
            bus.send(can.Message(arbitration_id=can_id, data=bytes.fromhex(payload), is_extended_id=False))
        await asyncio.sleep(0.05)


@contextlib.asynccontextmanager
async def _can_sender(**options: Any) -> AsyncIterator[None]:
    bus = can.Bus(**options)
    task = asyncio.ensure_future(_send(bus))
    try:
        yield
    finally:
        task.cancel()
        bus.shutdown()


def _modbus_tcp(map_file: Path, tmp_path: Path) -> Case:
    port = free_port()
    keys = {"host": "127.0.0.1", "port": port, "map": str(map_file)}
    return Case(
        "modbus-tcp", keys, peers.EXPECTED, lambda: peers.modbus_tcp(peers.image(peers.REGISTERS), port=port)
    )


@contextlib.asynccontextmanager
async def _serial_up(tmp_path: Path, words: list[int]) -> AsyncIterator[None]:
    wire, stable = peers.SerialWire(), tmp_path / "by-id"
    wire.serve(peers.RtuUnit(words))
    stable.symlink_to(wire.path)
    try:
        yield
    finally:
        stable.unlink()
        wire.unplug()


def _modbus_rtu(map_file: Path, tmp_path: Path) -> Case:
    words = peers.image(peers.REGISTERS)
    keys = {"port": str(tmp_path / "by-id"), "map": str(map_file), "baud": 115200}
    return Case("modbus-rtu", keys, peers.EXPECTED, lambda: _serial_up(tmp_path, words))


def _modbus_rtu_over_tcp(map_file: Path, tmp_path: Path) -> Case:
    """A converter that passes serial frames through a TCP connection unchanged."""
    port = free_port()

    unit = peers.RtuUnit(peers.image(peers.REGISTERS))

    async def pass_on(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while len(request := await reader.read(8)) == 8:
            writer.write(unit(request) or b"")

    keys = {"host": "127.0.0.1", "port": port, "map": str(map_file), "framing": "rtu"}
    return Case("modbus-tcp", keys, peers.EXPECTED, lambda: peers.tcp_peer(pass_on, port))


def _sunspec_words() -> list[int]:
    module = [
        1,
        1,
        16,
        *[0xFFFF] * 3,
        0xFFFF,
        0xFFFF,
        5312,
        *[0xFFFF] * 5,
        0x8000,
        0xFFFF,
        0x8000,
        0xFFFF,
        0x8000,
        0,
    ]
    module += [0] * 16 + [0x8000] * 3 + [0xFFFE, 0xFFFD, 0xFFFF]
    for cell in peers.CELLS:
        module += [cell, 105, 0, 0]
    return [0x5375, 0x6E53, 805, len(module), *module, 0xFFFF, 0]


def _sunspec_expected() -> dict[str, int]:
    cells = {name: stored for name, stored in peers.EXPECTED.items() if name.startswith("cell_")}
    return {"pack_v": 5312, "temp_1": 105, **cells}


def _sunspec_tcp(map_file: Path, tmp_path: Path) -> Case:
    port = free_port()
    keys = {"host": "127.0.0.1", "port": port}
    words = _sunspec_words()
    up = lambda: peers.modbus_tcp(words, port=port, start=40000)  # noqa: E731 - as short as the others
    return Case("sunspec-tcp", keys, _sunspec_expected(), up)


def _sunspec_rtu(map_file: Path, tmp_path: Path) -> Case:
    words = _sunspec_words()
    keys = {"port": str(tmp_path / "by-id"), "baud": 115200}
    return Case("sunspec-rtu", keys, _sunspec_expected(), lambda: _serial_up(tmp_path, words))


def _can_virtual(map_file: Path, tmp_path: Path) -> Case:
    keys = {
        "interface": "virtual",
        "channel": str(tmp_path),
        "binding": LOOP,
        "period_s": 0.1,
        "stale_s": 0.5,
    }
    return Case(
        "can", keys, LOOP_EXPECTED, lambda: _can_sender(interface="virtual", channel=str(tmp_path)), "timeout"
    )


def _can_udp(map_file: Path, tmp_path: Path) -> Case:
    port = free_port()
    keys = {"interface": "udp_multicast", "channel": "239.74.163.2", "port": port, "binding": LOOP}
    options = {"interface": "udp_multicast", "channel": "239.74.163.2", "port": port}
    return Case(
        "can",
        keys | {"period_s": 0.1, "stale_s": 0.5},
        LOOP_EXPECTED,
        lambda: _can_sender(**options),
        "timeout",
    )


def _can_slcan(map_file: Path, tmp_path: Path) -> Case:
    stable = tmp_path / "by-id"

    @contextlib.asynccontextmanager
    async def up() -> AsyncIterator[None]:
        import os

        wire = peers.SerialWire()
        stable.symlink_to(wire.path)

        async def send() -> None:
            while True:
                for can_id, payload in FRAMES:
                    os.write(wire.master, f"t{can_id:03X}8{payload}\r".encode())
                await asyncio.sleep(0.05)

        task = asyncio.ensure_future(send())
        try:
            yield
        finally:
            task.cancel()
            stable.unlink()
            wire.unplug()

    keys = {"interface": "slcan", "channel": str(stable), "binding": LOOP, "period_s": 0.1, "stale_s": 0.5}
    return Case("can", keys, LOOP_EXPECTED, up)


def _can_socketcand(map_file: Path, tmp_path: Path) -> Case:
    """A daemon that hands a bus on over TCP, as its documentation has it: raw mode, ASCII frames in < >."""
    port = free_port()

    async def daemon(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b"< hi >")
        for wanted in (b"open can0", b"rawmode"):
            assert wanted in await reader.readuntil(b">")
            writer.write(b"< ok >")
        await asyncio.sleep(0.1)
        while not writer.is_closing():
            for can_id, payload in FRAMES:
                writer.write(f"< frame {can_id:03X} 1767596400.000000 {payload} >".encode())
            await writer.drain()
            await asyncio.sleep(0.05)

    keys = {"interface": "socketcand", "channel": "can0", "host": "127.0.0.1", "port": port, "binding": LOOP}
    keys |= {"period_s": 0.1, "stale_s": 0.5}
    return Case("can", keys, LOOP_EXPECTED, lambda: peers.tcp_peer(daemon, port))


@contextlib.asynccontextmanager
async def _nothing() -> AsyncIterator[None]:
    yield


def _replay(map_file: Path, tmp_path: Path) -> Case:
    file = tmp_path / "history.csv"
    file.write_text(
        "timestamp,pack_v,pack_a\n"
        + "2026-01-05T07:00:00Z,53.12,-12.5\n2026-01-05T07:00:01Z,53.12,-12.5\n" * 4
    )
    return Case("replay", {"file": str(file)}, {"pack_v": 5312, "pack_a": -1250}, _nothing, "never")


CASES = {
    "modbus-tcp": _modbus_tcp,
    "modbus-rtu": _modbus_rtu,
    "modbus-rtu-over-tcp": _modbus_rtu_over_tcp,
    "sunspec-tcp": _sunspec_tcp,
    "sunspec-rtu": _sunspec_rtu,
    "can-virtual": _can_virtual,
    "can-udp": _can_udp,
    "can-slcan": _can_slcan,
    "can-socketcand": _can_socketcand,
    "replay": _replay,
}


@pytest.fixture(params=CASES)
def case(
    request: pytest.FixtureRequest,
    map_file: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> Case:
    monkeypatch.setattr(can_port, "SETTLE_S", 0.0)
    made: Case = CASES[request.param](map_file, tmp_path)
    return made


def _adapter(case: Case) -> Adapter:
    return make(config_from(case.kind, {"name": "s", "pack": "A", "timeout_s": 0.3, **case.keys}))


async def _read_on(adapter: Adapter, times: int) -> None:
    for _ in range(times):
        await adapter.read()


async def _settled(adapter: Adapter, expected: dict[str, int]) -> Reading:
    """The first reading that has every channel (frames of a round may straddle the opening)."""
    for _ in range(20):
        reading = await adapter.read()
        if expected.keys() <= reading.values.keys():
            return reading
    return reading


def test_every_kind_has_a_case() -> None:
    assert {name.split("-")[0] for name in KINDS} == {name.split("-")[0] for name in CASES}


def test_reads_what_the_peer_says(case: Case) -> None:
    async def main() -> None:
        async with case.up():
            adapter = _adapter(case)
            assert isinstance(adapter, Adapter)
            assert [s.name for s in adapter.subjects] == ["A"]
            assert adapter.place
            await adapter.open()
            before = time.monotonic()
            reading = await _settled(adapter, case.expected)
            assert case.expected.items() <= dict(reading.values).items()
            assert before - 5 < reading.monotonic_s <= time.monotonic()
            for name, stored in reading.values.items():
                channel = CATALOGUE[name]
                assert isinstance(stored, int)
                assert channel.low <= stored * channel.scale <= channel.high * (1 + 1e-9)
            await adapter.close()

    asyncio.run(main())


def test_closes_twice_and_opens_again(case: Case) -> None:
    async def main() -> None:
        async with case.up():
            adapter = _adapter(case)
            await adapter.close()
            for _ in range(2):
                await adapter.open()
                reading = await _settled(adapter, case.expected)
                assert case.expected.items() <= dict(reading.values).items()
                await adapter.close()
                await adapter.close()

    asyncio.run(main())


def test_read_needs_open(case: Case) -> None:
    async def main() -> None:
        async with case.up():
            adapter = _adapter(case)
            with pytest.raises(SourceError, match="not open"):
                await adapter.read()

    asyncio.run(main())


def test_absent_peer_is_an_error_in_time(case: Case) -> None:
    async def main() -> None:
        adapter = _adapter(case)
        async with asyncio.timeout(5):
            if case.silent_is == "lost":
                with pytest.raises(SourceError) as caught:
                    await adapter.open()
                assert " — " in str(caught.value)
                assert "\n" not in str(caught.value)
            elif case.silent_is == "timeout":
                await adapter.open()
                with pytest.raises(TimeoutError):
                    await adapter.read()
        await adapter.close()

    asyncio.run(main())


def test_peer_that_goes_and_comes_back(case: Case) -> None:
    async def main() -> None:
        adapter = _adapter(case)
        async with case.up():
            await adapter.open()
            await adapter.read()
        if case.silent_is != "never":
            with pytest.raises(SourceError):
                await _read_on(adapter, 20)
        await adapter.close()
        async with asyncio.timeout(10), case.up():
            await adapter.open()
            reading = await _settled(adapter, case.expected)
            assert case.expected.items() <= dict(reading.values).items()
        await adapter.close()

    asyncio.run(main())
