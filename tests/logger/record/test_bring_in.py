from __future__ import annotations

from pathlib import Path

import pytest

from adapters.base import Subject
from adapters.errors import ConfigError
from logger.config import Config
from logger.record.bring_in import Brought, Bus, bring
from logger.record.opening import open_record


def test_the_account_is_in_words() -> None:
    brought = Brought("a.csv", "A", 86400, 1, 0, 0, 120, 1, ((7, "no number"),), (), ("line 7: no number",))
    assert brought.lines() == [
        "a.csv: 86,400 readings of A; 1 days sealed, 0 revised, 0 unchanged",
        "  120 readings of days that are not over yet",
        "  line 7: no number",
    ]


CAN = """
[[pack]]
name = "B"
[[source]]
name = "bus"
kind = "can"
pack = "B"
interface = "udp_multicast"
channel = "239.74.163.2"
database = "{maps}/orchard-b.dbc"
binding = "{maps}/orchard-b.toml"
"""
MAPS = Path(__file__).parents[3] / "sample_data" / "maps"


def capture(folder: Path, rounds: int) -> Path:
    """Write frames of the simulated pack as a candump log, a round a second from 2026-01-05T00:00:00Z."""
    from sample_data.can_peer import frames
    from sample_data.live_bank import LiveBank
    from sample_data.orchard import ORCHARD

    start = 1_767_571_200.0
    bank = LiveBank(ORCHARD, start, None, None)
    lines = []
    for second in range(rounds):
        values = bank.tick(start + second + 1)["B"]
        for number, frame in enumerate(frames(values, second)):
            time_s = start + second + 0.001 * number
            lines.append(f"({time_s:.6f}) can0 {frame.arbitration_id:03X}#{bytes(frame.data).hex().upper()}")
    file = folder / "bus.log"
    file.write_text("\n".join(lines) + "\nnonsense\n")
    return file


def test_a_capture_comes_in_through_the_binding_of_its_source(tmp_path: Path) -> None:
    (tmp_path / "bank.toml").write_text(CAN.format(maps=MAPS))
    config = Config.load(tmp_path / "bank.toml")
    with open_record(config, "write") as store:
        first = bring(store, config, capture(tmp_path, 60), pack="B", witness=None)
        again = bring(store, config, tmp_path / "bus.log", pack="B", witness=None)
        table = store.table(Subject("B"), "2026-01-05")
    assert (first.rows, first.sealed, first.rejected) == (60, 1, 1)
    assert (again.sealed, again.revised, again.unchanged) == (0, 0, 1)
    cells = [table.column(f"cell_{i:02d}_v")[-1].as_py() for i in range(1, 17)]
    assert sum(cells) / 1000 == pytest.approx(table.column("pack_v")[-1].as_py() / 100, abs=0.1)


def test_a_capture_without_a_binding_is_refused_with_the_remedy(tmp_path: Path) -> None:
    (tmp_path / "bank.toml").write_text('[[pack]]\nname = "B"\n')
    config = Config.load(tmp_path / "bank.toml")
    with open_record(config, "write") as store, pytest.raises(ConfigError, match="--binding FILE"):
        bring(store, config, tmp_path / "bus.log", pack="B", witness=None)


REGISTERS = """# bankbook registers 1
round,time,unit,function,address,registers
0,1767571200.250,1,3,256,14C0
1,1767571201.250,1,3,256,14C1
what?
"""
MAP = """
[map]
name = "one"
source = "test"
[[register]]
channel = "pack_v"
address = 0x100
type = "u16"
scale = 0.01
unit = "V"
"""


def test_recorded_registers_come_in_through_a_map(tmp_path: Path) -> None:
    (tmp_path / "bank.toml").write_text('[[pack]]\nname = "A"\n')
    (tmp_path / "pack.reg").write_text(REGISTERS)
    (tmp_path / "one.toml").write_text(MAP)
    config = Config.load(tmp_path / "bank.toml")
    with open_record(config, "write") as store:
        with pytest.raises(ConfigError, match="--map FILE"):
            bring(store, config, tmp_path / "pack.reg", pack="A", witness=None)
        bus = Bus(map="one.toml")
        first = bring(store, config, tmp_path / "pack.reg", pack="A", witness=None, bus=bus)
        again = bring(store, config, tmp_path / "pack.reg", pack="A", witness=None, bus=bus)
        kept = store.table(Subject("A"), "2026-01-05")
    assert (first.rows, first.sealed, first.rejected) == (2, 1, 1)
    assert (again.sealed, again.unchanged) == (0, 1)
    assert kept["time_ms"].to_pylist() == [1767571200250, 1767571201250]
    assert kept["pack_v"].to_pylist() == [0x14C0, 0x14C1]
