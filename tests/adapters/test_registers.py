"""Register maps: what is read, and what is said when a map is wrong."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from adapters.errors import MapError
from adapters.registers import SHIPPED, RegisterMap, find_map, load_map, parse_map
from adapters.toml_file import TomlFile

HEAD = '[map]\nname = "m"\nsource = "test"\n'


def parse(body: str) -> RegisterMap:
    return parse_map(TomlFile("m.toml", HEAD + body))


def one(**keys: Any) -> str:
    shown = {
        k: f'"{v}"' if isinstance(v, str) else str(v).lower() if isinstance(v, bool) else v
        for k, v in keys.items()
    }
    return "[[register]]\n" + "".join(f"{k} = {v}\n" for k, v in shown.items())


PACK_V = {"channel": "pack_v", "address": 0, "type": "u16", "scale": 0.01, "unit": "V"}


def test_row_of_cells() -> None:
    items = parse(one(channel="cell_01_v", count=16, address=0x10, type="u16", unit="mV", stride=4)).items
    assert [i.address for i in items] == list(range(0x10, 0x50, 4))
    assert [i.rule.channel for i in items] == [f"cell_{n:02d}_v" for n in range(1, 17)]
    assert items[0].rule(3345) == 3345  # mV are stored as they are: 1 mV a step


@pytest.mark.parametrize(
    ("keys", "raw", "stored"),
    [  # by hand: stored = physical / channel scale
        (PACK_V, 5312, 5312),
        ({**PACK_V, "scale": 0.1}, 531, 5310),
        ({**PACK_V, "scale": 1, "unit": "mV"}, 53121, 5312),
        (
            {**PACK_V, "channel": "pack_a", "type": "s16", "scale": 0.1, "unit": "A", "positive": "charge"},
            -125,
            -1250,
        ),
        (
            {
                **PACK_V,
                "channel": "pack_a",
                "type": "s16",
                "scale": 0.1,
                "unit": "A",
                "positive": "discharge",
            },
            -125,
            1250,
        ),
        ({**PACK_V, "channel": "soc", "scale": 1, "unit": "%"}, 87, 8700),
        ({**PACK_V, "channel": "temp_1", "scale": 0.1, "unit": "K"}, 2882, 150),  # 288.2 K = 15.05 °C
        ({**PACK_V, "channel": "temp_1", "scale": 1, "offset": -40, "unit": "°C"}, 58, 180),
        ({**PACK_V, "channel": "temp_1", "scale": 1, "unit": "°F"}, 50, 100),  # 50 °F = 10 °C
        ({"channel": "cycles_reported", "address": 0, "type": "u16"}, 321, 321),
        ({"channel": "heater_on", "address": 0, "type": "u16"}, 7, 1),
        ({"channel": "heater_on", "address": 0, "type": "u16", "bit": 2}, 0b011, 0),
        ({"channel": "heater_on", "address": 0, "type": "u16", "bit": 2, "invert": True}, 0b011, 1),
        ({"channel": "heater_on", "address": 0, "type": "u16", "on": [2, 3]}, 3, 1),
        ({"channel": "heater_on", "address": 0, "type": "u16", "on": [2, 3]}, 9, 0),
        (
            {"channel": "heater_on", "address": 0, "type": "u16", "on": [1], "off": [0]},
            9,
            "neither on nor off (raw 9)",
        ),
        ({"channel": "warnings", "address": 0, "type": "u16", "shift": 16}, 0b101, 0b101 << 16),
        (PACK_V, 65535, "out of range (raw 65535)"),
        ({**PACK_V, "absent": "[0xFFFF]"}, 65535, None),
        (
            {**PACK_V, "channel": "temp_1", "type": "s16", "scale": 0.1, "unit": "°C", "absent": "[0x8000]"},
            -0x8000,
            None,
        ),
        (
            {**PACK_V, "channel": "temp_1", "type": "s16", "scale": 0.1, "unit": "°C", "absent": "[-1]"},
            -1,
            None,
        ),
    ],
)
def test_conversion(keys: dict[str, Any], raw: int, stored: int | str | None) -> None:
    body = one(**{k: v for k, v in keys.items() if k != "absent"}) + (
        f"absent = {keys['absent']}\n" if "absent" in keys else ""
    )
    assert parse(body).items[0].rule(raw) == stored


def test_cases_become_bits() -> None:
    body = (
        one(channel="protections", address=0, type="u16", shift=4)
        + 'cases = { 1 = "high", 7 = "short circuit" }\n'
    )
    parsed = parse(body)
    rule = parsed.items[0].rule
    assert [rule(raw) for raw in (0, 1, 7, 2)] == [0, 1 << 4, 1 << 5, "unknown case (raw 2)"]
    assert parsed.bit_names == {"protections": {4: "high", 5: "short circuit"}}


def test_bit_sets_of_several_registers_must_not_meet() -> None:
    """Two registers of 16 bits side by side, and two that name other bits of one."""
    word = {"channel": "warnings", "type": "u16"}
    assert len(parse(one(**word, address=0) + one(**word, address=1, shift=16)).items) == 2
    named = one(**word, address=0) + 'bits = { 0 = "a" }\n' + one(**word, address=1) + 'bits = { 1 = "b" }\n'
    assert parse(named).bit_names == {"warnings": {0: "a", 1: "b"}}
    with pytest.raises(MapError, match="filled twice"):
        parse(one(**word, address=0) + one(**word, address=1, shift=15))


def test_numbering_of_the_list() -> None:
    assert (
        parse("[wire]\nfirst = 40001\nfunction = 4\n" + one(**{**PACK_V, "address": 40011})).items[0].address
        == 10
    )


WRONG = [
    ("", "names no register", "add at least one"),
    (one(**{**PACK_V, "channel": "pack_voltage"}), r"line 5.*key channel = 'pack_voltage'", "cell_01_v"),
    (one(**{**PACK_V, "type": "u17"}), r"line 7.*key type", "did you mean u16"),
    (one(**{**PACK_V, "adress": 1}), r"line 10.*unknown key", "did you mean address"),
    (one(channel="pack_v", type="u16", unit="V"), "key address: is missing", "add address = "),
    (one(**{**PACK_V, "unit": "Volts"}), "key unit = 'Volts': unknown unit", "use one of: V mV"),
    (one(**{**PACK_V, "unit": "A"}), "does not suit", "pack_v is in V"),
    (one(channel="pack_v", address=0, type="u16"), "key unit: is missing", "add unit"),
    (
        one(channel="pack_a", address=0, type="s16", unit="A"),
        "key positive: is missing",
        '"charge" or "discharge"',
    ),
    (one(**{**PACK_V, "positive": "charge"}), "only pack_a and dc_a", "remove positive"),
    (one(**{**PACK_V, "scale": 0}), "scale of 0", "give the scale"),
    (one(channel="cell_30_v", count=4, address=0, type="u16", unit="mV"), "cell_33_v", "lower count"),
    (one(channel="soc", count=2, address=0, type="u16", unit="%"), "not numbered", "remove count"),
    (one(**PACK_V) + one(**PACK_V), r"line 11.*\[\[register\]\] 2.*filled twice", "one source"),
    (one(**{**PACK_V, "address": 65535, "type": "u32"}), "leads to register 65535", "0 to 65535"),
    ("[wire]\nfirst = 1\n" + one(**PACK_V), "leads to register -1", "first register is 1"),
    ("[wire]\nfunction = 6\n" + one(**PACK_V), r"key function = 6", "from 3 to 4"),
    ("[wire]\nmax_read = 126\n" + one(**PACK_V), "key max_read", "from 1 to 125"),
    ("[registers]\n" + one(**PACK_V), "unknown table", "did you mean register"),
    (one(channel="heater_on", address=0, type="u16", bit=1, on=[1]), "cannot stand beside", "keep the one"),
    (one(channel="heater_on", address=0, type="u16", scale=2), "heater_on is no number", "remove scale"),
    (one(channel="warnings", address=0, type="f32"), "cannot come from a float", "integer type"),
    (
        one(**PACK_V) + "[[check]]\nsays = 'n'\naddress = 0\ntype = 'u16'\n",
        "one of equals and between",
        "equals",
    ),
    ("[[register]\n", "not TOML.*line 4", "mend that line"),
    (one(**{**PACK_V, "count": "x"}), "key count = 'x': does not fit", "whole number from 1 to 32"),
    (one(**{**PACK_V, "absent": [0x1FFFF]}), "131071 does not fit into 16 bits", "raw value"),
    (
        one(channel="cell_01_v", count=2, stride=1, address=0, type="u32", unit="mV"),
        "2 registers",
        "leave it",
    ),
    (one(channel="heater_on", address=0, type="u16", bit=16), "key bit = 16", "from 0 to 15"),
    (
        one(channel="heater_on", address=0, type="u16", on=[1], off=[0, 1]),
        "stands in on too",
        "one of the two",
    ),
    (one(channel="warnings", address=0, type="s16"), "has no sign", 'type = "u16"'),
    (one(channel="warnings", address=0, type="u16") * 2, "filled twice", "one source"),
    (one(channel="warnings", address=0, type="u16") + 'bits = { 16 = "x" }\n', "entry 16", "from 0 to 15"),
    (
        one(**PACK_V) + "[[check]]\nsays = 'n'\naddress = 0\ntype = 'u16'\nbetween = [16, 15]\n",
        "nothing lies between",
        "lower one first",
    ),
]


@pytest.mark.parametrize(("body", "what", "remedy"), WRONG)
def test_errors_name_place_and_remedy(body: str, what: str, remedy: str) -> None:
    with pytest.raises(MapError) as caught:
        parse(body)
    assert re.search(what, caught.value.message), caught.value.message
    assert remedy in caught.value.remedy
    assert caught.value.message.startswith("m.toml")
    assert "\n" not in str(caught.value)


def test_missing_files(tmp_path: Path) -> None:
    with pytest.raises(MapError, match="there is no such file — check the path"):
        load_map(find_map("mine.toml", tmp_path))
    with pytest.raises(MapError, match="no map of that name is shipped"):
        load_map(find_map("no-such-pack", tmp_path))
    (tmp_path / "binary.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(MapError, match="not text in UTF-8"):
        load_map(tmp_path / "binary.toml")


def test_manual_lists_every_key() -> None:
    """MAPS.md is the reference: every key that the readers ask for stands in it, in code type."""
    manual = (Path(SHIPPED).parent / "MAPS.md").read_text()
    for module in ("registers.py", "rule.py", "binding.py"):
        source = (SHIPPED.parent / module).read_text()
        asked = set(
            re.findall(r"\.(?:text|choice|integer|number|flag|integers|texts|names)\(\s*\"(\w+)\"", source)
        )
        for key in asked:
            assert re.search(rf"(`|\[|\b){key}(`|\b)", manual), key


def test_example_of_the_manual_is_valid() -> None:
    manual = (SHIPPED.parent / "MAPS.md").read_text()
    blocks = re.findall(r"```toml\n(.*?)```", manual, re.DOTALL)
    parsed = parse_map(TomlFile("MAPS.md", blocks[0] + blocks[1] + blocks[2]))
    assert len(parsed.items) == 18
    assert parsed.identities[0].name == "serial"
