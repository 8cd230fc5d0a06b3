"""A register map and a serial line for the adapters' tests."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from adapters import modbus_line
from tests.adapters.peers import MAP, SerialWire


@pytest.fixture
def map_file(tmp_path: Path) -> Path:
    """The register map of the test pack."""
    path = tmp_path / "test-pack.toml"
    path.write_text(MAP)
    return path


@pytest.fixture
def wire() -> Iterator[SerialWire]:
    """A serial line, taken away at the end."""
    line = SerialWire()
    yield line
    line.unplug()


@pytest.fixture
def short_drain(monkeypatch: pytest.MonkeyPatch) -> None:
    """Wait for late answers no longer than the short time-outs of tests need."""
    monkeypatch.setattr(modbus_line, "LEAST_DRAIN_S", 0.15)
