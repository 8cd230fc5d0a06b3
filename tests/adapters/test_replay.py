"""Recorded files played again."""

from __future__ import annotations

import asyncio
import time
from pathlib import Path
from typing import Any

import pytest

from adapters.base import Reading
from adapters.errors import ConfigError, SourceLost
from adapters.registry import config_from, make

T0 = 1_767_596_400_000
"""2026-01-05T07:00:00Z. [ms UTC]"""
CSV = "timestamp,pack_v,pack_a\n2026-01-05T07:00:00Z,53.12,-1\n"
CSV += "2026-01-05T07:00:01Z,,-1\n2026-01-05T07:00:02Z,53.2,1\n"
LOG = "".join(f"(176759640{n}.5) can0 356#{5312 + n & 0xFF:02X}141EFBB7000000\n" for n in range(3))


def play(tmp_path: Path, **keys: Any) -> list[Reading]:
    async def main() -> list[Reading]:
        adapter = make(config_from("replay", {"name": "r", "pack": "A", **keys}, tmp_path))
        await adapter.open()
        readings = []
        try:
            while True:
                readings.append(await adapter.read())
        except StopAsyncIteration:
            await adapter.close()
        return readings

    return asyncio.run(main())


def test_csv(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(CSV)
    readings = play(tmp_path, file="a.csv")
    assert [r.time_ms for r in readings] == [T0, T0 + 1000, T0 + 2000]
    assert [dict(r.values) for r in readings] == [
        {"pack_v": 5312, "pack_a": -100}, {"pack_a": -100}, {"pack_v": 5320, "pack_a": 100},
    ]  # fmt: skip


def test_witness_csv(tmp_path: Path) -> None:
    (tmp_path / "w.csv").write_text("timestamp,dc_v\n2026-01-05T07:00:00Z,53.1\n")

    async def main() -> Reading:
        adapter = make(config_from("replay", {"name": "r", "witness": "hall", "file": "w.csv"}, tmp_path))
        await adapter.open()
        return await adapter.read()

    reading = asyncio.run(main())
    assert (reading.subject.name, reading.subject.kind, dict(reading.values)) == (
        "hall",
        "witness",
        {"dc_v": 5310},
    )


def test_capture(tmp_path: Path) -> None:
    (tmp_path / "bus.log").write_text(LOG)
    readings = play(tmp_path, file="bus.log", binding="common-closed-loop")
    assert [r.values["pack_v"] for r in readings] == [5312, 5313, 5314]
    assert [r.time_ms for r in readings] == [T0 + 500, T0 + 1500, T0 + 2500]


def test_speed(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(CSV)
    began = time.monotonic()
    play(tmp_path, file="a.csv", speed=20)  # two seconds twenty times as fast
    assert time.monotonic() - began >= 0.09


def test_wrong_configurations(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="there is no such file"):
        make(config_from("replay", {"name": "r", "pack": "A", "file": "x.csv"}, tmp_path))
    (tmp_path / "bus.log").write_text(LOG)
    with pytest.raises(ConfigError, match="a capture needs a binding"):
        make(config_from("replay", {"name": "r", "pack": "A", "file": "bus.log"}, tmp_path))
    (tmp_path / "empty.csv").write_text("")
    with pytest.raises(SourceLost, match="the file is empty"):
        play(tmp_path, file="empty.csv")
