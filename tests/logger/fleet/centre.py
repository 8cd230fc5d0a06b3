"""A PostgreSQL server of our own, small banks with sealed days, and how many rows a table has."""

import subprocess
from datetime import date
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pyarrow as pa
from sqlalchemy import Engine, text

from analysis.facts import PackFacts
from logger.record.store import Store


class Server:
    def __init__(self, port: int, data: Path, bin_dir: Path, prefix: list[str]) -> None:
        self.port, self.data, self.bin, self.prefix = port, data, bin_dir, prefix

    def run(self, *args: str) -> None:
        subprocess.run([*self.prefix, *args], check=True, capture_output=True, cwd="/")

    def start(self) -> None:
        options = f"-p {self.port} -c listen_addresses=127.0.0.1 -c unix_socket_directories={self.data}"
        self.run(str(self.bin / "pg_ctl"), "-D", str(self.data), "-w", "-l", str(self.data / "log"), "-o",
                 options, "start")  # fmt: skip

    def stop(self, mode: str = "fast") -> None:
        self.run(str(self.bin / "pg_ctl"), "-D", str(self.data), "-w", "-m", mode, "stop")

    def url(self, user: str, database: str) -> str:
        return f"postgresql://{user}@127.0.0.1:{self.port}/{database}"


class Centre(NamedTuple):
    """A prepared central database: its server, the owner's engine, the URL of the pushing role."""

    server: Server
    owner: Engine
    url: str


def day_table(first: date, days: int, seed: int, period_s: int = 300) -> pa.Table:
    rng = np.random.default_rng(seed)
    start = int(np.datetime64(first.isoformat(), "s").astype("int64")) * 1000
    t = start + np.arange(0, days * 86_400_000, period_s * 1000, dtype=np.int64)
    phase = (t - start) / 86_400_000
    columns = {
        "time_ms": pa.array(t),
        "pack_v": pa.array(
            (5300 + 50 * np.sin(2 * np.pi * phase) + rng.integers(-2, 3, len(t))).astype("int32")
        ),
        "pack_a": pa.array((4000 * np.sin(2 * np.pi * phase) + rng.integers(-9, 10, len(t))).astype("int32")),
    }
    for i in range(1, 5):
        columns[f"cell_{i:02d}_v"] = pa.array((3312 + rng.integers(-1, 2, len(t))).astype("int32"))
    return pa.table(columns)


def make_bank(path: Path, *, days: int = 6, seed: int = 1, first: date = date(2026, 1, 5)) -> Path:
    """Make a record with sealed days of one pack, in UTC."""
    with Store.open(path, write=True, timezone="UTC") as store:
        store.ensure_pack("A", PackFacts("A", n_cells=4))
        store.adopt("A", day_table(first, days, seed), now_ms=1_790_000_000_000, workers=1)
        store.save_findings((), 1_790_000_000_000)
    return path


def count(engine: Engine, table: str) -> int:
    with engine.connect() as conn:
        return int(conn.execute(text(f"SELECT count(*) FROM {table}")).scalar_one())
