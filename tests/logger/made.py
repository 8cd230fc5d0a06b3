"""Days of readings to put into a record, a small site, and clocks that tests set."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from datetime import time as dt_time
from pathlib import Path
from typing import Any, TypeAlias
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from sqlalchemy import text

from adapters.base import Subject
from logger.config import Config
from logger.record.days import day_bounds_ms
from logger.record.opening import open_record
from logger.record.store import Store
from logger.recording.clock import Trust
from sample_data.history import simulate
from sample_data.orchard import ORCHARD

VIENNA = "Europe/Vienna"
Place: TypeAlias = tuple[Config, Store, float]
"""A site's configuration, its open record, its present. [s]"""


def make_day(day: str, *, seed: int = 0, period_s: int = 60, zone: str = VIENNA, cells: int = 4) -> pa.Table:
    """One local day of readings, its numbers from `seed`."""
    rng = np.random.default_rng(seed)
    start, end = day_bounds_ms(day, ZoneInfo(zone))
    time_ms = np.arange(start, end, period_s * 1000)
    n = len(time_ms)
    amps = 40 * np.sin(np.linspace(0, 6 * np.pi, n)) + rng.normal(0, 0.3, n)
    columns: dict[str, pa.Array] = {
        "time_ms": pa.array(time_ms),
        "pack_v": pa.array((5300 + amps + rng.normal(0, 0.9, n)).astype(np.int32)),
        "pack_a": pa.array((np.round(amps * 10) * 10).astype(np.int32)),  # a source of 0.1 A
        "soc": pa.array((5000 + 30 * np.round(amps)).astype(np.int32)),
    }
    for cell in range(1, cells + 1):
        columns[f"cell_{cell:02d}_v"] = pa.array((3320 + amps / 4 + rng.normal(0, 0.9, n)).astype(np.int32))
    for sensor in (1, 2):
        columns[f"temp_{sensor}"] = pa.array((80 + rng.normal(0, 0.5, n)).astype(np.int32))
    columns["warnings"] = pa.array(np.zeros(n, np.int64))
    return pa.table(columns)


def rows(store: Store, query: str) -> list[tuple[Any, ...]]:
    """What a record answers to a query in SQL."""
    with store.reading() as conn:
        return [tuple(row) for row in conn.execute(text(query))]


@dataclass
class FakeTime:
    """Clocks that only a test moves."""

    mono: float = 100.0
    wall: float = 1_770_000_000.0
    trusted: Trust = Trust.NONE
    boot: str = "boot-1"
    log: list[str] = field(default_factory=list)

    def monotonic_s(self) -> float:
        return self.mono

    def wall_s(self) -> float:
        return self.wall

    def trust(self) -> Trust:
        return self.trusted

    def boot_id(self) -> str:
        return self.boot

    def pass_s(self, seconds: float) -> None:
        """Let time pass on both clocks."""
        self.mono += seconds
        self.wall += seconds


SITE_TOML = """
[site]
name = "Hill <orchard>"
timezone = "Europe/Vienna"

[record]
clock = "trusted"

[[pack]]
name = "A"
serial = "PA-0417"
installed = "2025-11-20"

[pack.warranty]
years = 10
capacity_fraction = 0.7

[[pack]]
name = "B"
serial = "PB-0418"

[[witness]]
name = "hall"
"""


def make_site(folder: Path, days: int = 3, *, until: tuple[int, int] = (18, 30)) -> Place:
    """A site of the orchard from 2026-01-12 on: its configuration, the open record and its present [s].

    The last day is not over.
    """
    (folder / "bank.toml").write_text(SITE_TOML, encoding="utf-8")
    config = Config.load(folder / "bank.toml")
    first = date(2026, 1, 12)
    last = datetime.combine(first + timedelta(days=days - 1), dt_time(*until), config.zone)
    now_ms = round(last.timestamp() * 1000)
    store = open_record(config, "write")
    with store.adopting(now_ms=now_ms, workers=0) as adopter:
        for one in simulate(ORCHARD, first, days, period_s=30):
            for name, table in one.witness.items():
                adopter.put(Subject(name, "witness"), table.filter(pc.less_equal(table["time_ms"], now_ms)))
            for name, table in one.tables.items():
                adopter.put(Subject(name), table.filter(pc.less_equal(table["time_ms"], now_ms)))
    return config, store, now_ms / 1000
