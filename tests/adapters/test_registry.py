"""Kinds of sources and their configuration."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

import adapters
from adapters.base import Subject
from adapters.configs import CanConfig, ModbusTcpConfig, SourceConfig
from adapters.errors import ConfigError
from adapters.registry import CONFIGS, KINDS, config_from, kind_of, make

TCP = {"name": "a", "pack": "A", "host": "h", "map": "m.toml"}
RTU = {"name": "a", "pack": "A", "port": "/dev/x", "map": "m.toml"}
CAN = {"name": "b", "pack": "B", "interface": "virtual", "channel": "x", "binding": "common-closed-loop"}


def test_every_kind_has_class_and_configuration() -> None:
    assert KINDS.keys() == CONFIGS.keys()
    for place in (*KINDS.values(), *CONFIGS.values()):
        module, _, name = place.partition(":")
        assert hasattr(__import__(module, fromlist=[name]), name)


def test_configuration_round_trip() -> None:
    config = config_from("modbus-tcp", TCP)
    assert config == ModbusTcpConfig(name="a", pack="A", host="h", map="m.toml")
    assert kind_of(config) == "modbus-tcp"
    assert config.subject == Subject("A", "pack")
    witness = config_from("modbus-tcp", {**{k: v for k, v in TCP.items() if k != "pack"}, "witness": "hall"})
    assert witness.subject == Subject("hall", "witness")


WRONG: list[tuple[str, dict[str, Any], str]] = [
    ("modbus", TCP, r'kind = "modbus" is unknown — use one of: modbus-tcp'),
    ("modbus-tcp", {**TCP, "hots": "x"}, r"unknown key hots .* — did you mean host\?"),
    ("modbus-tcp", {"name": "a", "pack": "A", "map": "m"}, "host is missing"),
    ("modbus-tcp", {**TCP, "port": "502"}, "port = '502' is of the wrong type — give a whole number"),
    ("modbus-tcp", {**TCP, "port": 70000}, "port = 70000 does not fit — give a number from 1 to 65535"),
    ("modbus-tcp", {**TCP, "unit": True}, "unit = True is of the wrong type"),
    ("modbus-tcp", {**TCP, "witness": "w"}, "name either a pack or a witness"),
    ("modbus-tcp", {**TCP, "framing": "ascii"}, 'framing = .ascii. does not fit — use "tcp" or "rtu"'),
    ("modbus-tcp", {**TCP, "period_s": 0}, "period_s = 0 does not fit"),
    ("modbus-rtu", {**RTU, "unit": 0}, "unit = 0 does not fit — give a number from 1 to 247"),
    ("modbus-rtu", {**RTU, "baud": 9601}, "baud = 9601 does not fit — use one of: 1200"),
    ("modbus-rtu", {**RTU, "parity": "X"}, "parity = 'X' does not fit — use one of: N, E, O"),
    ("can", {**CAN, "interface": "canon"}, "interface = 'canon' does not fit — use one of: socketcan"),
    ("can", {**CAN, "interface": "slcan", "bitrate": 480000}, "bitrate = 480000 does not fit"),
    ("can", {**CAN, "allow_requests": 1}, "allow_requests = 1 is of the wrong type — give true or false"),
    (
        "sunspec-tcp",
        {"name": "s", "pack": "A", "host": "h", "positive": "in"},
        "positive = 'in' does not fit",
    ),
]


@pytest.mark.parametrize(("kind", "keys", "words"), WRONG)
def test_errors_name_source_key_and_remedy(kind: str, keys: dict[str, Any], words: str) -> None:
    with pytest.raises(ConfigError, match=words) as caught:
        config_from(kind, keys)
    assert f'source "{keys["name"]}"' in str(caught.value)


def test_paths_start_from_the_configuration(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=str(tmp_path / "m.toml")):
        make(config_from("modbus-tcp", TCP, tmp_path))


def test_unknown_configuration() -> None:
    with pytest.raises(ConfigError, match="no kind of source"):
        kind_of(SourceConfig(name="x", pack="A"))


def test_drivers_are_imported_only_when_used() -> None:
    """`bankbook --help` and a configuration check must not pay for drivers."""
    code = (
        "import sys; from adapters.registry import config_from, make;"
        f"make(config_from('sunspec-tcp', {{'name': 's', 'pack': 'A', 'host': 'h'}}));"
        f"config_from('can', {CAN!r});"
        "bad = {'pymodbus', 'can', 'cantools', 'serial', 'numpy', 'pyarrow', 'pandas'} & set(sys.modules);"
        "print(sorted(bad))"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"


def test_adapters_import_no_folder_of_ours() -> None:
    for path in Path(adapters.__file__).parent.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            assert not any(name.split(".")[0] in {"analysis", "logger", "sample_data"} for name in names), (
                path
            )


def test_can_configuration_is_complete() -> None:
    config = config_from("can", {**CAN, "port": 4000, "stale_s": 2})
    assert isinstance(config, CanConfig)
    assert (config.port, config.stale_s, config.allow_requests) == (4000, 2, False)
