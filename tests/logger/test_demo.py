from __future__ import annotations

from pathlib import Path

import pytest

from adapters.errors import ConfigError
from adapters.registry import make
from logger.demo import MARK, prepare
from logger.demo_processes import free_port


def test_the_demos_configuration_is_valid_and_its_maps_exist(tmp_path: Path) -> None:
    config = prepare(tmp_path / "demo")
    assert config.pack_names == ("A", "B")
    assert [source.name for source in config.sources()] == ["bus-a", "bus-b", "bus-hall"]
    for source in config.sources():
        make(source)


def test_twice_in_a_row_takes_away_only_what_a_demo_left(tmp_path: Path) -> None:
    prepare(tmp_path)
    (tmp_path / "bank.db").write_bytes(b"old")
    (tmp_path / "bank.db-wal").write_bytes(b"old")
    (tmp_path / "mine.txt").write_text("keep")
    prepare(tmp_path)
    assert not list(tmp_path.glob("bank.db*"))
    assert (tmp_path / "mine.txt").exists()


def test_somebody_elses_configuration_is_not_touched(tmp_path: Path) -> None:
    (tmp_path / "bank.toml").write_text('[[pack]]\nname = "A"\n')
    with pytest.raises(ConfigError, match="not from a demo"):
        prepare(tmp_path)
    assert MARK not in (tmp_path / "bank.toml").read_text()


def test_a_free_port_is_free() -> None:
    assert 1024 <= free_port() <= 65535
