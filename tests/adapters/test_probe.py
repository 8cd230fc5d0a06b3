"""What is on this wire? Against peers that nobody has told about."""

from __future__ import annotations

import asyncio
import tomllib
from collections.abc import Awaitable
from pathlib import Path
from typing import Literal, TypeVar

import can
import cantools
import pytest

from adapters.assembler import Assembler
from adapters.binding import parse_binding
from adapters.configs import CanConfig
from adapters.errors import ConfigError, SourceLost
from adapters.found import Found
from adapters.likely import cell_rows, sums, temperatures
from adapters.probe_can import probe_can
from adapters.probe_modbus import probe_serial, probe_tcp
from adapters.record_raw import record_can
from adapters.registers import parse_map
from adapters.registry import config_from
from adapters.toml_file import TomlFile
from tests.adapters import peers
from tests.adapters.peers import SerialWire
from tests.orchard import free_port

CELLS = [3300 + 3 * n for n in range(16)]


@pytest.mark.parametrize(("stride", "scale"), [(1, 1), (1, 10), (2, 1), (4, 1)])
def test_cells_are_found_in_a_crowd(stride: int, scale: int) -> None:
    """Sixteen cells in steps of 1 mV or 0.1 mV, side by side or interleaved, among ordinary numbers."""
    registers = {n: (n * 37) % 1500 for n in range(200)}
    registers.update({50 + stride * n: cell * scale for n, cell in enumerate(CELLS)})
    row = cell_rows(registers)[0]
    assert (row.address, row.stride, row.count) == (50, stride, 16)
    assert row.volts[0] == pytest.approx(3.3)
    assert row.sum_v == pytest.approx(sum(CELLS) / 1000)


def test_sum_and_temperatures() -> None:
    registers = {0: 5316, 1: 40, 2: 53160, 3: 17, 10: 2883, 11: 2885, 12: 2879, 20: 115, 21: 118}
    assert sums(registers, 53.16) == [(0, 0.01), (2, 0.001)]
    rows = {(address, count): degrees for address, count, _, degrees in temperatures(registers, set())}
    assert rows[10, 3] == (15.2, 15.4, 14.8)  # in tenths of a kelvin
    assert rows[20, 2] == (11.5, 11.8)


def test_random_registers_show_no_cells() -> None:
    assert cell_rows({n: (n * 7919) % 65536 for n in range(100)}) == []


def test_unknown_unit_on_a_serial_line(wire: SerialWire) -> None:
    words = peers.image({0x10: [5336, 0, 0, 87], 0x40: CELLS, 0x60: [183, 186, 179]}, size=0x80)
    unit = peers.RtuUnit(words, units=[3])
    wire.serve(unit)
    said: list[str] = []
    found = asyncio.run(
        probe_serial(
            wire.path,
            bauds=(115200,),
            parities=("N",),
            units=range(1, 5),
            progress=said.append,
            timeout_s=0.05,
        )
    )
    assert said == ["115200 bit/s, parity N"]
    (one,) = found
    assert "unit 3" in one.what
    assert "16 cell voltages" in one.what
    assert any("0x0040 look like cells" in line and "3.300 3.303" in line for line in one.evidence)
    assert any("0x0010 reads 53.36 V; the cells add up to 53.16 V" in line for line in one.evidence)
    assert "0x0060, 3 registers, might be temperatures: 18.3 18.6 17.9 °C (s16, 0.1 °C)" in one.evidence
    assert any("current" in line for line in one.doubts)
    draft = parse_map(TomlFile("draft", one.draft))
    assert draft.items[0].address == 0x40
    assert set(draft.channels) == {*(f"cell_{n:02d}_v" for n in range(1, 17)), "pack_v"}
    (source,) = tomllib.loads(one.source)["source"]
    assert (source["name"], source["pack"]) == ("pack-c", "C")
    config = config_from(source.pop("kind"), source)
    assert (config.unit, config.baud) == (3, 115200)  # type: ignore[attr-defined] # a ModbusRtuConfig
    assert {request[1] for request in unit.requests} <= {3, 4}


def test_known_map_and_sunspec_over_tcp(map_file: Path) -> None:
    async def main() -> None:
        port = free_port()
        async with peers.modbus_tcp(peers.image(peers.REGISTERS), port=port):
            (one,) = await probe_tcp("127.0.0.1", port, units=[1], maps=[map_file], timeout_s=0.3)
            assert "fits the map test-pack" in one.what
            assert any("checks of the map are right" in line for line in one.evidence)
        port = free_port()
        async with peers.modbus_tcp([0x5375, 0x6E53, 0xFFFF, 0], port=port, start=40000):
            (one,) = await probe_tcp("127.0.0.1", port, units=[1], timeout_s=0.3)
            assert "SunSpec" in one.what
            assert 'kind = "sunspec-tcp"' in one.source

    asyncio.run(main())


async def _look(port: str, units: tuple[int, ...] = (1, 2)) -> tuple[Found, ...]:
    return await probe_serial(port, bauds=(115200,), parities=("N",), units=units, timeout_s=0.05)


def test_units_that_refuse_everything_are_one_line(wire: SerialWire) -> None:
    wire.serve(peers.RtuUnit([0], units=[1, 2]))
    found = asyncio.run(_look(wire.path, units=(1, 2, 3)))
    assert [one.what for one in found][-1].startswith("unit 1, 2 on serial")


def test_silent_line_and_noisy_line(wire: SerialWire) -> None:
    assert asyncio.run(_look(wire.path)) == ()
    wire.serve(lambda _: b"$GPRMC,noise*00\r\n")
    (one,) = asyncio.run(_look(wire.path))
    assert "no Modbus" in one.what
    with pytest.raises(SourceLost, match="no such port"):
        asyncio.run(_look("/dev/no-such-port"))


Got = TypeVar("Got")


async def _with_frames(channel: str, frames: list[tuple[int, bool, bytes]], work: Awaitable[Got]) -> Got:
    with can.Bus(interface="virtual", channel=channel) as bus:

        async def send() -> None:
            while True:
                for can_id, extended, payload in frames:
                    bus.send(can.Message(arbitration_id=can_id, is_extended_id=extended, data=payload))
                await asyncio.sleep(0.02)

        task = asyncio.ensure_future(send())
        try:
            return await work
        finally:
            task.cancel()


CLOSED_LOOP = [
    (0x351, False, "3002D007D007C001"),
    (0x355, False, "5700630015220000"),
    (0x356, False, "C0141EFBB7000000"),
]


def test_known_frame_set(tmp_path: Path) -> None:
    frames = [(i, x, bytes.fromhex(payload)) for i, x, payload in CLOSED_LOOP]
    found = asyncio.run(_with_frames(str(tmp_path), frames, probe_can("virtual", str(tmp_path), seconds=0.3)))
    assert found[0].what == "frame set common-closed-loop"
    assert any("53.12 V" in line for line in found[0].evidence)
    assert any("no single cells" in line for line in found[0].doubts)
    (source,) = tomllib.loads(found[0].source)["source"]
    assert isinstance(config_from(source.pop("kind"), source), CanConfig)
    assert found[-1].what == f"3 identifiers on virtual {tmp_path}"


@pytest.mark.parametrize("extended", [False, True])
@pytest.mark.parametrize("order", ["little", "big"])
def test_cells_in_plain_frames(tmp_path: Path, order: Literal["little", "big"], extended: bool) -> None:
    frames = [
        (0x180 + n, extended, b"".join(c.to_bytes(2, order) for c in CELLS[4 * n : 4 * n + 4]))
        for n in range(4)
    ]
    _check_draft(tmp_path, frames)


def test_cells_in_multiplexed_frames(tmp_path: Path) -> None:
    frames = [
        (0x2B1, False, bytes([n]) + b"".join(c.to_bytes(2, "little") for c in CELLS[3 * n : 3 * n + 3]))
        for n in range(6)
    ]
    _check_draft(tmp_path, frames)


def _check_draft(tmp_path: Path, frames: list[tuple[int, bool, bytes]]) -> None:
    """The drafts must load, and decode the very frames they were drawn from."""
    found = asyncio.run(_with_frames(str(tmp_path), frames, probe_can("virtual", str(tmp_path), seconds=0.3)))
    one = next(f for f in found if "cell voltages" in f.what)
    assert any(line.startswith("16 words of 16 bits") for line in one.evidence)
    binding = parse_binding(TomlFile("draft", one.draft), cantools.database.load_string(one.database, "dbc"))
    assembler = Assembler(binding)
    for can_id, extended, payload in frames:
        assembler.take(can_id | (1 << 31 if extended else 0), payload, 0.0)
    assert assembler.snapshot(0.0)[0] == {f"cell_{n + 1:02d}_v": cell for n, cell in enumerate(CELLS)}


def test_silent_bus(tmp_path: Path) -> None:
    assert asyncio.run(probe_can("virtual", str(tmp_path), seconds=0.1)) == ()


def test_recording_is_bounded_and_read_again(tmp_path: Path) -> None:
    frames = [(i, x, bytes.fromhex(payload)) for i, x, payload in CLOSED_LOOP]
    config = CanConfig(
        name="b", pack="B", interface="virtual", channel=str(tmp_path), binding="common-closed-loop"
    )
    path = tmp_path / "bus.log"
    done = asyncio.run(_with_frames(str(tmp_path), frames, record_can(config, path, seconds=0.3)))
    assert done.ended == "after 0.3 s"
    assert done.frames == len(path.read_text().splitlines()) >= 10
    with can.LogReader(str(path)) as reader:
        assert {message.arbitration_id for message in reader} == {0x351, 0x355, 0x356}
    short = tmp_path / "short.log"
    done = asyncio.run(
        _with_frames(str(tmp_path), frames, record_can(config, short, seconds=5, most_bytes=400))
    )
    assert "400 bytes" in done.ended
    assert short.stat().st_size <= 400
    with pytest.raises(ConfigError, match="the file exists"):
        asyncio.run(record_can(config, path))
