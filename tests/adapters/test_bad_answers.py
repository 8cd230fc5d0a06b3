"""Modbus units that answer wrongly, late or with an exception, over pseudo-terminals."""

from __future__ import annotations

import asyncio
import contextlib
import time
from pathlib import Path
from typing import Any

import pytest

from adapters.errors import BadFrame, MapError, SourceError, SourceTimeout
from tests.adapters import peers
from tests.adapters.peers import SerialWire, rtu

pytestmark = pytest.mark.usefixtures("short_drain")


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
        adapter = rtu(wire.path, map_file)
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
        adapter = rtu(wire.path, map_file)
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
        adapter = rtu(wire.path, map_file)
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
        adapter = rtu(wire.path, map_file)
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
            await rtu(wire.path, wrong_address).open()
        with pytest.raises(MapError, match=r"number of cells reads 16, expected \[15\]"):
            await rtu(wire.path, wrong_count).open()

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
        adapter = rtu(wire.path, two)
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


@pytest.mark.parametrize(
    "body",
    [bytes([1, 0x16, 0, 0]), bytes([1, 0x2B, 0x0E, 9]), bytes([1, 3, 3, 1, 2, 3]), bytes([1, 0x18, 0, 6])],
    ids=["write mask", "device report", "half a register", "queue"],
)
def test_answers_with_a_right_checksum_that_are_none(
    wire: SerialWire, map_file: Path, body: bytes, caplog: pytest.LogCaptureFixture
) -> None:
    """Answers to questions never asked do not stay in the way of the next ones, nor fill the journal."""
    unit = peers.RtuUnit(peers.image(peers.REGISTERS), units=[1, 2])
    wire.serve(unit)
    left = [1, 1]

    def foreign(reply: bytes) -> bytes:
        return body + peers.crc(body).to_bytes(2, "little") if left and left.pop() else reply

    async def main() -> None:
        one, other = rtu(wire.path, map_file), rtu(wire.path, map_file, unit=2, pack="B")
        await one.open()
        await other.open()
        unit.spoil = foreign
        for _ in range(4):
            with contextlib.suppress(BadFrame, SourceTimeout):
                await one.read()
        assert (await one.read()).values == peers.EXPECTED
        assert (await other.read()).values == peers.EXPECTED
        await one.close()
        await other.close()

    asyncio.run(main())
    assert [record for record in caplog.records if record.name == "asyncio"] == []
