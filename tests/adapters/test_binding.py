"""Bindings: which signals become which channels, and what is said when one does not fit its database."""

from __future__ import annotations

import re
from pathlib import Path

import cantools
import pytest
from cantools.database.can import Message, Signal

from adapters.assembler import Assembler
from adapters.binding import find_binding, load_binding, load_database, parse_binding
from adapters.errors import MapError
from adapters.registers import SHIPPED
from adapters.toml_file import TomlFile

DBC = """VERSION ""

BO_ 256 Status: 8 Pack
 SG_ Volts : 0|16@1+ (0.01,0) [0|0] "V" X
 SG_ Amps : 16|16@1- (0.1,0) [0|0] "A" X
 SG_ Mode : 32|8@1+ (1,0) [0|0] "" X
 SG_ Odd : 40|16@1+ (0.5,0) [0|0] "bananas" X

BO_ 2566844672 Cells: 8 Pack
 SG_ Index M : 0|8@1+ (1,0) [0|0] "" X
 SG_ CellA01 m0 : 8|16@1+ (0.001,0) [0|0] "V" X
 SG_ CellA02 m0 : 24|16@1+ (0.001,0) [0|0] "V" X
 SG_ CellA03 m1 : 8|16@1+ (0.001,0) [0|0] "V" X
 SG_ CellA04 m1 : 24|16@1+ (0.001,0) [0|0] "V" X

BO_ 258 Other: 8 Pack
 SG_ Mode : 0|8@1+ (1,0) [0|0] "" X
"""
HEAD = '[binding]\nname = "b"\nsource = "test"\n'
VOLTS = '[[signal]]\nsignal = "Volts"\nchannel = "pack_v"\n'


def database() -> object:
    return cantools.database.load_string(DBC, "dbc")


def assembler(body: str) -> Assembler:
    return Assembler(parse_binding(TomlFile("b.toml", HEAD + body), database()))


def test_multiplexed_row_with_29_bit_id() -> None:
    """0x18FF0000 is 2566844672 less bit 31. Cells by hand: 0x0D05 = 3333 mV."""
    row = assembler('[[signal]]\nsignal = "CellA{nn}"\nchannel = "cell_01_v"\ncount = 4\n')
    key = 2566844672
    row.take(key, bytes([0, 0x05, 0x0D, 0x06, 0x0D, 0, 0, 0]), 1.0)
    assert row.snapshot(1.0)[0] == {"cell_01_v": 3333, "cell_02_v": 3334}
    row.take(key, bytes([1, 0x07, 0x0D, 0x08, 0x0D, 0, 0, 0]), 1.1)
    row.take(key, bytes([9, 0xFF, 0xFF, 0xFF, 0xFF, 0, 0, 0]), 1.2)
    assert row.snapshot(1.2)[0] == {f"cell_{n:02d}_v": 3332 + n for n in range(1, 5)}
    row.take(key & ~(1 << 31), bytes(8), 1.3)  # the same number with 11 bits is another frame
    assert not row.fresh


def test_stale_signal_is_absent() -> None:
    one = assembler(VOLTS + "stale_s = 2\n")
    one.take(256, bytes([0xC0, 0x14]) + bytes(6), 10.0)
    assert one.snapshot(12.0)[0] == {"pack_v": 5312}
    assert one.snapshot(12.1)[0] == {}


def test_flags_that_the_database_calls_signed_are_bits_all_the_same() -> None:
    """0xFF83 as a signed number is −125; as a bit set it is 65411."""
    body = '[[signal]]\nsignal = "Amps"\nchannel = "warnings"\n'
    one = assembler(body)
    one.take(256, bytes([0, 0, 0x83, 0xFF]) + bytes(4), 1.0)
    assert one.snapshot(1.0) == ({"warnings": 65411}, {})


def test_short_frame_is_refused() -> None:
    one = assembler(VOLTS + '[[signal]]\nsignal = "Amps"\nchannel = "pack_a"\npositive = "discharge"\n')
    one.take(256, bytes([0xC0, 0x14]), 1.0)
    values, rejected = one.snapshot(1.0)
    assert values == {"pack_v": 5312}
    assert "too short" in rejected["pack_a"]


def test_complete_round() -> None:
    both = Assembler(
        parse_binding(TomlFile("b", HEAD + 'complete = ["Status", "Other"]\n' + VOLTS), database())
    )
    both.take(256, bytes(8), 1.0)
    assert not both.complete
    both.take(258, bytes(8), 1.0)  # carries nothing that is bound, but ends the round
    assert both.complete
    both.snapshot(1.0)
    assert not both.complete


WRONG = [
    ('[[signal]]\nsignal = "Volt"\nchannel = "pack_v"\n', 'no signal "Volt"', "did you mean Volts"),
    ('[[signal]]\nsignal = "Mode"\nchannel = "heater_on"\n', "several messages", "Status.Mode, Other.Mode"),
    ('[[signal]]\nsignal = "Odd"\nchannel = "pack_v"\n', "key unit: is missing", "add unit"),
    (
        '[[signal]]\nsignal = "Amps"\nchannel = "pack_a"\n',
        "key positive: is missing",
        '"charge" or "discharge"',
    ),
    ('[[signal]]\nsignal = "Amps"\nchannel = "pack_v"\n', "does not suit", "pack_v is in V"),
    ('[[signal]]\nsignal = "Volts"\nchannel = "cell_01_v"\ncount = 2\n', "running number", "{n} or {nn}"),
    (VOLTS + VOLTS, r"\[\[signal\]\] 2.*filled twice", "one source"),
    ("", "names no signal", "add at least one"),
    (VOLTS + "colour = 1\n", "unknown key", "known are"),
    (VOLTS + "[[request]]\nid = 0x800\n", "key id = 2048", "from 0 to 2047"),
    (VOLTS + '[[request]]\nid = 1\ndata = "0G"\n', "not a row of bytes", '"00 1F"'),
    (VOLTS + f'[[request]]\nid = 1\ndata = "{"00" * 9}"\n', "more than 8 bytes", "shorten"),
    (
        VOLTS + '[[identity]]\nname = "serial"\nmessages = ["Nobody"]\n',
        'no message "Nobody"',
        "it has: Cells",
    ),
    (VOLTS + '[[identity]]\nname = "serial"\n', "names no message", "messages = "),
    ('[[signal]]\nsignal = "Status.Mode"\nchannel = "heater_on"\nbit = 8\n', "key bit = 8", "from 0 to 7"),
]


@pytest.mark.parametrize(("body", "what", "remedy"), WRONG)
def test_errors_name_place_and_remedy(body: str, what: str, remedy: str) -> None:
    with pytest.raises(MapError) as caught:
        assembler(body)
    assert re.search(what, caught.value.message), caught.value.message
    assert remedy in caught.value.remedy


def test_wrong_files(tmp_path: Path) -> None:
    with pytest.raises(MapError, match="there is no such file"):
        load_database(tmp_path / "x.dbc")
    with pytest.raises(MapError, match="neither DBC nor KCD"):
        load_database(tmp_path / "x.txt")
    for name, content in (("a.dbc", b"BO_ hello"), ("b.kcd", b"<xml"), ("c.dbc", b"\xff\xfe\x00\x01" * 9)):
        (tmp_path / name).write_bytes(content)
        with pytest.raises(MapError, match="not a valid"):
            load_database(tmp_path / name)
    with pytest.raises(MapError, match="no database"):
        find_binding("mine.toml", None, tmp_path)
    with pytest.raises(MapError, match="none of that name is shipped"):
        find_binding("nobody", None, None)


def test_kcd_is_read_like_dbc(tmp_path: Path) -> None:
    database = cantools.database.load_string(DBC, "dbc")
    assert isinstance(database, cantools.database.Database)
    (tmp_path / "d.kcd").write_text(database.as_kcd_string())
    (tmp_path / "d.dbc").write_text(DBC)
    (tmp_path / "b.toml").write_text(
        HEAD + VOLTS + '[[signal]]\nsignal = "CellA{nn}"\nchannel = "cell_01_v"\ncount = 4\n'
    )
    from_kcd, from_dbc = (
        load_binding(tmp_path / "b.toml", tmp_path / f"d.{kind}") for kind in ("kcd", "dbc")
    )
    assert from_kcd.signals == from_dbc.signals


@pytest.mark.parametrize("path", sorted(SHIPPED.glob("*.dbc")), ids=lambda path: path.stem)
def test_shipped_bindings_load(path: Path) -> None:
    binding = load_binding(*find_binding(path.stem, None, None))
    assert binding.source
    assert binding.channels


def test_common_closed_loop_by_hand() -> None:
    """Layout: common practice, no source. Values decoded by hand from the bytes."""
    binding = load_binding(*find_binding("common-closed-loop", None, None))
    listening = Assembler(binding)
    for can_id, payload in (
        (0x351, "3002D007D007C001"),  # 56.0 V, 200 A, 200 A, 44.8 V
        (0x355, "5700630015220000"),  # 87 %, 99 %
        (0x356, "C0141EFBB7000000"),  # 53.12 V, -125.0 A, 18.3 °C
        (0x35C, "C000000000000000"),  # both enabled
        (0x373, "EF0C0E0D20012501"),  # 288 K = 14.85 °C, 293 K = 19.85 °C
    ):
        listening.take(can_id, bytes.fromhex(payload), 1.0)
    values, rejected = listening.snapshot(1.0)
    assert values == {
        "charge_limit_v": 5600, "charge_limit_a": 2000, "discharge_limit_a": 2000, "discharge_limit_v": 4480,
        "soc": 8700, "soh": 9900, "pack_v": 5312, "pack_a": -12500, "temp_1": 183,
        "charge_enabled": 1, "discharge_enabled": 1, "temp_2": 148, "temp_3": 198,
    }  # fmt: skip
    assert rejected == {}
    assert not any(name.startswith("cell_") for name in binding.channels)


def test_manual_example_is_valid() -> None:
    manual = (SHIPPED.parent / "MAPS.md").read_text().split("# Part 2")[1]
    blocks = re.findall(r"```toml\n(.*?)```", manual, re.DOTALL)
    rows = "".join(f' SG_ CellVoltage{n:02d} : {16 * n}|16@1+ (1,0) [0|0] "mV" X\n' for n in range(1, 17))
    text = 'VERSION ""\n\nBO_ 1 PackStatus: 64 X\n SG_ PackVoltage : 0|8@1+ (1,0) [0|0] "V" X\n'
    text += ' SG_ Current : 8|8@1- (1,0) [0|0] "A" X\n' + rows
    binding = parse_binding(
        TomlFile("MAPS.md", blocks[0] + blocks[1]), cantools.database.load_string(text, "dbc")
    )
    assert len(binding.channels) == 18
    assert binding.requests[0].can_id == 0x18900140


@pytest.mark.parametrize(
    ("signal", "more", "what"),
    [
        ('0|65@1+ (1,0) [0|0] "V" X', "", "65 bits"),
        ('7|65@0- (1,0) [0|0] "V" X', "SIG_VALTYPE_ 256 Volts : 2;\n", "a float has 16, 32 or 64"),
        ('0|24@1- (1,0) [0|0] "V" X', "SIG_VALTYPE_ 256 Volts : 1;\n", "24 bits"),
        ('600|16@1+ (1,0) [0|0] "V" X', "", "outside its frame Status"),
        ('0|0@1+ (1,0) [0|0] "V" X', "", "length 0"),
        ('0|16@1+ (1e999,0) [0|0] "V" X', "", "scale inf"),
        ('0|16@1+ (1,-1e300) [0|0] "V" X', "", "offset -1e\\+300"),
    ],
)
def test_databases_that_no_frame_can_follow(tmp_path: Path, signal: str, more: str, what: str) -> None:
    path = tmp_path / "odd.dbc"
    path.write_text(f'VERSION ""\n\nBO_ 256 Status: 8 X\n SG_ Volts : {signal}\n\n{more}')
    with pytest.raises(MapError, match=what):
        parse_binding(TomlFile("b", HEAD + VOLTS), load_database(path))


def test_multiplexers_in_a_circle() -> None:
    """Each of two signals says the other chooses it; the reader of databases lets that pass."""
    volts = Signal(
        "Volts", 0, 8, unit="V", is_multiplexer=True, multiplexer_ids=[0], multiplexer_signal="Mux"
    )
    mux = Signal("Mux", 8, 8, is_multiplexer=True, multiplexer_ids=[0], multiplexer_signal="Volts")
    bare = Signal("Amps", 16, 8, unit="V", multiplexer_ids=[0], multiplexer_signal="Nobody")
    message = Message(256, "Status", 8, [volts, mux, bare], strict=False)
    looped = cantools.database.Database([message], strict=False)
    with pytest.raises(MapError, match="in a circle"):
        parse_binding(TomlFile("b", HEAD + VOLTS + 'unit = "V"\n'), looped)
    with pytest.raises(MapError, match="multiplexer of Amps is missing"):
        parse_binding(TomlFile("b", HEAD + VOLTS.replace("Volts", "Amps")), looped)
