"""Registers recorded from a real server, and read again with the same map and with a corrected one."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.capture_outcome import CaptureOutcome
from adapters.captures import read_capture
from adapters.channels import CATALOGUE
from adapters.configs import ModbusRtuConfig, ModbusTcpConfig
from adapters.errors import ConfigError, ImportFormatError, SourceLost
from adapters.raw_registers import COLUMNS, TITLE, RawRead, reads_in, register_rounds
from adapters.record_raw import Recorded, record_registers
from adapters.registers import RegisterMap, load_map
from adapters.registry import config_from, make
from tests.adapters import peers
from tests.adapters.peers import SerialWire
from tests.orchard import free_port


def record(port: int, map_file: Path, path: Path, seconds: float = 0.5, most: int = 50_000_000) -> Recorded:
    """Record from a pymodbus server."""
    config = ModbusTcpConfig(
        name="a", pack="A", host="127.0.0.1", port=port, map=str(map_file), period_s=0.2, timeout_s=1.0
    )

    async def main() -> Recorded:
        async with peers.modbus_tcp(peers.image(peers.REGISTERS), port=port):
            return await record_registers(config, path, seconds=seconds, most_bytes=most)

    return asyncio.run(main())


def rows(path: Path, register_map: RegisterMap) -> tuple[list[dict[str, int]], CaptureOutcome]:
    outcome = CaptureOutcome()
    (table,) = read_capture(path, register_map, outcome=outcome)
    return [{k: v for k, v in row.items() if v is not None} for row in table.to_pylist()], outcome


def test_recorded_and_read_again(map_file: Path, tmp_path: Path) -> None:
    path = tmp_path / "pack.reg"
    done = record(free_port(), map_file, path)
    assert done.ended == "after 0.5 s"
    assert (done.frames % 4, done.dropped) == (0, 0)  # pack, cells, temperatures, flags
    assert done.bytes == path.stat().st_size
    found, outcome = rows(path, load_map(map_file))
    assert len(found) == done.frames // 4 >= 2
    for row in found:
        assert row.pop("time_ms") > 1_700_000_000_000
        assert row == peers.EXPECTED
    assert (outcome.frames, outcome.rejected_count) == (done.frames, 0)


def test_read_again_with_a_corrected_map(map_file: Path, tmp_path: Path) -> None:
    """Recorded with the wrong sign of current and a wrong address; the map is mended at home."""
    wrong, path = tmp_path / "wrong.toml", tmp_path / "pack.reg"
    text = map_file.read_text().replace('positive = "charge"', 'positive = "discharge"')
    wrong.write_text(text.replace("address = 0\n", "address = 0x300\n", 1))
    done = record(free_port(), wrong, path)
    assert done.dropped > 0
    assert "no such register" in path.read_text()
    assert rows(path, load_map(wrong))[0][0]["pack_a"] == 1250
    (row, *_), _ = rows(path, load_map(map_file))
    assert row["pack_a"] == -1250
    assert "pack_v" not in row  # it was never read


def test_bounds(map_file: Path, tmp_path: Path) -> None:
    done = record(free_port(), map_file, tmp_path / "a.reg", seconds=60, most=3000)
    assert done.ended == "the file reached 3000 bytes"
    assert done.bytes <= 3000
    with pytest.raises(ConfigError, match="exists"):
        record(free_port(), map_file, tmp_path / "a.reg")
    with pytest.raises(ConfigError, match=r"name it a\.reg"):
        record(free_port(), map_file, tmp_path / "a.csv")


def test_a_wire_that_goes_ends_it_and_what_came_stays(
    map_file: Path, tmp_path: Path, wire: SerialWire
) -> None:
    wire.serve(peers.RtuUnit(peers.image(peers.REGISTERS)))
    path = tmp_path / "pack.reg"
    config = ModbusRtuConfig(
        name="a", pack="A", port=wire.path, map=str(map_file), baud=115200, period_s=0.1, timeout_s=0.2
    )

    async def main() -> Recorded:
        task = asyncio.create_task(record_registers(config, path, seconds=60))
        while not path.exists() or path.stat().st_size < 1500:  # noqa: ASYNC110 - a file tells nobody
            await asyncio.sleep(0.02)
        await asyncio.to_thread(wire.unplug)
        return await asyncio.wait_for(task, 20)

    done = asyncio.run(main())
    assert done.ended != "after 60 s"
    assert len(rows(path, load_map(map_file))[0]) >= 2
    with pytest.raises(SourceLost, match="no such port"):
        asyncio.run(record_registers(config, tmp_path / "b.reg"))


def test_replayed_as_a_source(map_file: Path, tmp_path: Path) -> None:
    path = tmp_path / "pack.reg"
    record(free_port(), map_file, path)
    keys = {"name": "again", "pack": "A", "file": str(path)}
    with pytest.raises(ConfigError, match="need a map"):
        make(config_from("replay", keys))

    async def main() -> dict[str, int]:
        adapter = make(config_from("replay", {**keys, "map": str(map_file)}))
        await adapter.open()
        reading = await adapter.read()
        await adapter.close()
        return dict(reading.values)

    assert asyncio.run(main()) == peers.EXPECTED


def test_lines_that_are_none(tmp_path: Path) -> None:
    path = tmp_path / "a.reg"
    good = RawRead(0, 1767596400.5, 1, 3, 0x10, [0x0CE4, 0xFFFF])
    bad = ["0,x,1,3,0,0001", "0,1,1,6,0,0001", "0,1,1,3,65535,0001 0002", "0,1,1,3,0,1", "y" * 5000]
    path.write_text("\n".join([TITLE, "# remark", COLUMNS, *bad, "", good.line()]))
    outcome = CaptureOutcome()
    (read,) = reads_in(path, outcome)
    assert read == good
    assert [number for number, _ in outcome.rejected[:4]] == [4, 5, 6, 7]
    assert outcome.notes()[0].endswith("is no register read")


@pytest.mark.parametrize("text", ["", "timestamp,pack_v\n", TITLE, f"{TITLE}\n{COLUMNS}\nnothing\n"])
def test_files_that_are_none(tmp_path: Path, map_file: Path, text: str) -> None:
    (tmp_path / "a.reg").write_text(text)
    with pytest.raises(ImportFormatError):
        list(read_capture(tmp_path / "a.reg", load_map(map_file)))


def test_kinds_are_not_mixed_up(tmp_path: Path, map_file: Path) -> None:
    with pytest.raises(ImportFormatError, match="registers are read with a map"):
        list(read_capture(tmp_path / "a.log", load_map(map_file)))
    with pytest.raises(ImportFormatError, match="no such file"):
        list(read_capture(tmp_path / "a.reg", load_map(map_file)))


read_lines = st.builds(
    RawRead,
    st.integers(0, 3),
    st.floats(0, 4e9),
    st.integers(0, 255),
    st.sampled_from([3, 4]),
    st.integers(0, 0x80),
    st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=125),
)


@given(st.lists(read_lines, max_size=10), st.binary(max_size=40))
def test_any_reads_stay_in_range(
    tmp_path_factory: pytest.TempPathFactory, reads: list[RawRead], noise: bytes
) -> None:
    folder = tmp_path_factory.mktemp("any")
    (folder / "map.toml").write_text(peers.MAP)
    lines = "".join(read.line() for read in reads).encode()
    (folder / "a.reg").write_bytes(TITLE.encode() + b"\n" + lines + noise)
    try:
        found = list(register_rounds(folder / "a.reg", load_map(folder / "map.toml"), CaptureOutcome()))
    except ImportFormatError:
        return
    for _, values, _ in found:
        for name, stored in values.items():
            channel = CATALOGUE[name]
            if channel.kind == "number":
                assert round(channel.low / channel.scale) <= stored <= round(channel.high / channel.scale)
