"""Devices that go, hang, lie and come back, with the real libraries over pseudo-terminals and sockets."""

from __future__ import annotations

import asyncio
import time
from pathlib import Path
from typing import Any

import pytest

from adapters import modbus_line
from adapters.base import Adapter, Reading
from adapters.errors import BadFrame, MapError, SourceError, SourceLost, SourceTimeout
from adapters.modbus import ModbusAdapter
from adapters.registry import config_from, make
from tests.adapters import peers
from tests.adapters.peers import SerialWire

RECOVERY_S = 10.0
"""A source must be back this soon after its device. [s]"""


@pytest.fixture(autouse=True)
def _short_drain(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(modbus_line, "LEAST_DRAIN_S", 0.15)


def _rtu(port: str, map_file: Path, **keys: Any) -> ModbusAdapter:
    base = {"name": "a", "pack": "A", "port": port, "map": str(map_file), "baud": 115200, "timeout_s": 0.15}
    adapter = make(config_from("modbus-rtu", {**base, **keys}))
    assert isinstance(adapter, ModbusAdapter)
    return adapter


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
        adapter = _rtu(str(stable), map_file)
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


@pytest.mark.parametrize(
    "spoil",
    [
        lambda reply: reply[: len(reply) // 2],
        lambda reply: reply[:-1] + bytes([reply[-1] ^ 0xFF]),
        lambda reply: bytes([reply[0] ^ 1]) + reply[1:],
        lambda _: b"\x00\xff" * 40,
    ],
    ids=["half a frame", "wrong checksum", "changed byte", "noise"],
)
def test_bad_answers_are_refused_and_passed_over(wire: SerialWire, map_file: Path, spoil: Any) -> None:
    unit = peers.RtuUnit(peers.image(peers.REGISTERS))
    wire.serve(unit)

    async def main() -> None:
        adapter = _rtu(wire.path, map_file)
        await adapter.open()
        unit.spoil = spoil
        with pytest.raises((BadFrame, SourceTimeout)):
            await adapter.read()
        unit.spoil = lambda reply: reply
        reading = await adapter.read()
        assert reading.values == peers.EXPECTED
        await adapter.close()

    asyncio.run(main())


def test_part_of_a_round_is_better_than_none(wire: SerialWire, map_file: Path) -> None:
    """Only the first block is answered well: the others are left out after two failures, with the reason."""
    unit = peers.RtuUnit(peers.image(peers.REGISTERS))
    wire.serve(unit)

    async def main() -> None:
        adapter = _rtu(wire.path, map_file)
        await adapter.open()
        unit.requests.clear()
        unit.spoil = lambda reply: reply if reply[2] == 6 else reply[:-1]  # 6 bytes: pack_v, pack_a, soc
        reading = await adapter.read()
        assert reading.values == {name: peers.EXPECTED[name] for name in ("pack_v", "pack_a", "soc")}
        assert "wrong checksum" in reading.rejected["cell_01_v"]
        assert set(reading.rejected) == set(adapter.channels) - set(reading.values)
        assert len(unit.requests) == 1 + 2 * 2
        await adapter.close()

    asyncio.run(main())


def test_one_bad_answer_costs_no_reading(wire: SerialWire, map_file: Path) -> None:
    unit = peers.RtuUnit(peers.image(peers.REGISTERS))
    wire.serve(unit)

    async def main() -> None:
        adapter = _rtu(wire.path, map_file)
        await adapter.open()
        left = [1]
        unit.spoil = lambda reply: reply[:-1] if left and left.pop() else reply
        assert (await adapter.read()).values == peers.EXPECTED
        await adapter.close()

    asyncio.run(main())


@pytest.mark.parametrize(("code", "words"), [(5, "working"), (6, "busy"), (4, "failure")])
def test_exceptions_that_pass(wire: SerialWire, map_file: Path, code: int, words: str) -> None:
    """Exception codes 05 and 06. Source: Modbus Application Protocol V1.1b3, section 7."""
    unit = peers.RtuUnit(peers.image(peers.REGISTERS))
    wire.serve(unit)

    def busy(reply: bytes) -> bytes:
        body = bytes([reply[0], reply[1] | 0x80, code])
        return body + peers.crc(body).to_bytes(2, "little")

    async def main() -> None:
        adapter = _rtu(wire.path, map_file)
        await adapter.open()
        unit.spoil = busy
        with pytest.raises(BadFrame, match=words):
            await adapter.read()
        unit.spoil = lambda reply: reply
        assert (await adapter.read()).values == peers.EXPECTED
        await adapter.close()

    asyncio.run(main())


def test_map_that_does_not_fit(wire: SerialWire, map_file: Path) -> None:
    wire.serve(peers.RtuUnit(peers.image(peers.REGISTERS, size=0x100)[:0x50]))
    text = map_file.read_text()

    wrong_address, wrong_count = map_file.with_name("x.toml"), map_file.with_name("y.toml")
    wrong_address.write_text(text.replace("address = 0x30", "address = 0x60"))
    wrong_count.write_text(text.replace("equals = [16]", "equals = [15]"))

    async def main() -> None:
        with pytest.raises(MapError, match=r"does not fit \(temp_1.*no such register.* — check that"):
            await _rtu(wire.path, wrong_address).open()
        with pytest.raises(MapError, match=r"number of cells reads 16, expected \[15\]"):
            await _rtu(wire.path, wrong_count).open()

    asyncio.run(main())


def test_late_answer_is_not_taken_for_the_next(map_file: Path) -> None:
    """A unit answers the first question when the second is already due: same length, other registers."""
    two = map_file.with_name("two.toml")
    rows = "".join(
        f'[[register]]\nchannel="{name}"\naddress={at}\ntype="u16"\nscale=0.01\nunit="V"\n'
        for name, at in (("pack_v", 0), ("charge_limit_v", 100))
    )
    two.write_text('[map]\nname="two"\nsource="test"\n' + rows)
    words = [1111] * 100 + [2222] * 100

    async def main() -> None:
        wire = SerialWire()
        unit = peers.RtuUnit(words)
        wire.serve(unit)
        adapter = _rtu(wire.path, two)
        await adapter.open()

        def late(reply: bytes) -> bytes | None:
            if reply[3:5] != (2222).to_bytes(2, "big"):
                return reply
            unit.spoil = lambda reply: reply
            time.sleep(0.25)  # the time-out is 0.15 s: the answer comes when the next question is due
            return reply

        unit.spoil = late
        for _ in range(3):
            try:
                reading = await adapter.read()
            except SourceError:
                continue
            assert reading.values.get("pack_v", 1111) == 1111
            assert reading.values.get("charge_limit_v", 2222) == 2222
        assert (await adapter.read()).values == {"pack_v": 1111, "charge_limit_v": 2222}
        await adapter.close()
        wire.unplug()

    asyncio.run(main())


def test_silent_unit_does_not_slow_the_others(
    wire: SerialWire, map_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    unit = peers.RtuUnit(peers.image(peers.REGISTERS), units=[1, 2])
    wire.serve(unit)

    async def main() -> None:
        good, bad = _rtu(wire.path, map_file, unit=1), _rtu(wire.path, map_file, unit=2, pack="B")
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


def test_tcp_peer_that_accepts_and_says_nothing(map_file: Path) -> None:
    async def main() -> None:
        port = peers.free_port()
        held: list[asyncio.StreamWriter] = []
        server = await asyncio.start_server(lambda _, writer: held.append(writer), "127.0.0.1", port)
        keys = {
            "name": "a",
            "pack": "A",
            "host": "127.0.0.1",
            "port": port,
            "map": str(map_file),
            "timeout_s": 0.1,
        }
        adapter = make(config_from("modbus-tcp", keys))
        async with asyncio.timeout(3):
            with pytest.raises(SourceTimeout, match=r"no answer in 0\.1 s"):
                await adapter.open()
        for writer in held:
            writer.close()
            await writer.wait_closed()
        server.close()
        async with peers.modbus_tcp(peers.image(peers.REGISTERS), port=port):
            await adapter.open()
            assert (await adapter.read()).values == peers.EXPECTED
            await adapter.close()

    asyncio.run(main())


@pytest.mark.parametrize("noise", [b"\0" * 300, b"HTTP/1.1 400 Bad Request\r\n\r\n", bytes(range(256))])
def test_tcp_peer_that_speaks_something_else(map_file: Path, noise: bytes) -> None:
    async def main() -> None:
        over = asyncio.Event()

        async def babble(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            while await reader.read(100):
                writer.write(noise)
            writer.close()
            over.set()

        port = peers.free_port()
        server = await asyncio.start_server(babble, "127.0.0.1", port)
        keys = {
            "name": "a",
            "pack": "A",
            "host": "127.0.0.1",
            "port": port,
            "map": str(map_file),
            "timeout_s": 0.1,
        }
        adapter = make(config_from("modbus-tcp", keys))
        async with asyncio.timeout(5):
            with pytest.raises(SourceError):
                await adapter.open()
        await adapter.close()
        server.close()
        await over.wait()
        await asyncio.sleep(0.02)  # let the transports close before the loop does

    asyncio.run(main())


def test_one_lost_source_leaves_the_others_alone(wire: SerialWire, map_file: Path) -> None:
    wire.serve(peers.RtuUnit(peers.image(peers.REGISTERS)))

    async def main() -> None:
        port = peers.free_port()
        keys = {
            "name": "b",
            "pack": "B",
            "host": "127.0.0.1",
            "port": port,
            "map": str(map_file),
            "timeout_s": 0.2,
        }
        tcp, serial = make(config_from("modbus-tcp", keys)), _rtu(wire.path, map_file)
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
