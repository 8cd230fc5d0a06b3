"""CSV import beside pandas' reader with the same storage, and its memory on 30 days at 1 Hz.

Run `nice python tests/benchmarks/bench_import.py [--days 3] [--month]`. Both ways end in the same store.
Peak memory is that of a process of its own that imports one file, its workers apart.
"""

from __future__ import annotations

import argparse
import datetime as dt
import multiprocessing as mp
import resource
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TypeAlias

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv

from adapters.base import Subject
from adapters.channels import CATALOGUE, cell_name
from adapters.csv_import import CsvOutcome, read_tables
from analysis.facts import PackFacts
from logger.record.store import Store

START = dt.datetime(2026, 1, 5, tzinfo=dt.UTC)
COLUMNS = [
    "pack_v",
    "pack_a",
    "soc",
    *(cell_name(n) for n in range(1, 17)),
    "temp_1",
    "temp_2",
    "temp_3",
    "heater_on",
]


def write_file(path: Path, days: int) -> int:
    """A file of whole days at 1 Hz with 23 columns, invented numbers; returns its rows."""
    import pandas as pd

    rng = np.random.default_rng(7)
    with path.open("wb") as file:
        for day in range(days):
            n = 86_400
            seconds = np.arange(n) + 86_400 * day
            stamps = pd.Series(np.datetime64("2026-01-05T00:00:00") + seconds.astype("timedelta64[s]"))
            current = np.round(60 * np.sin(seconds / 9000) + rng.normal(0, 0.3, n), 1)
            table = {"timestamp": stamps.dt.strftime("%Y-%m-%dT%H:%M:%SZ")}
            cells = {
                cell_name(c): np.round(3.32 + current / 8000 + rng.normal(0, 0.001, n), 3)
                for c in range(1, 17)
            }
            table["pack_v"] = np.round(sum(cells.values()), 2)
            table |= {"pack_a": current, "soc": np.round(0.5 + 0.3 * np.cos(seconds / 9000), 3)} | cells
            table |= {f"temp_{t}": np.round(12 + t + np.sin(seconds / 20000), 1) for t in (1, 2, 3)}
            table["heater_on"] = (seconds // 3000 % 5 == 0).astype(int)
            options = pacsv.WriteOptions(include_header=day == 0, quoting_style="none")
            pacsv.write_csv(
                pa.table({name: pa.array(column) for name, column in table.items()}), file, options
            )
    return days * 86_400


def _adopt(record: Path, tables: Iterator[pa.Table], *, days: int) -> None:
    store = Store.open(str(record), write=True, timezone="UTC")
    store.ensure_pack("A", PackFacts(name="A"))
    now_ms = int((START + dt.timedelta(days=days + 1)).timestamp() * 1000)
    with store.adopting(now_ms=now_ms, workers=1) as adopting:
        for table in tables:
            adopting.put(Subject("A"), table)
    store.close()


def _drain(tables: Iterator[pa.Table]) -> None:
    for _ in tables:
        pass


def ours(path: Path) -> Iterator[pa.Table]:
    """The streaming import."""
    return read_tables(path, CATALOGUE, CsvOutcome())


def theirs(path: Path) -> Iterator[pa.Table]:
    """The reader of pandas over the whole file, and the least work to reach the same table."""
    import pandas as pd  # only where it is used, so that it does not count as our memory

    frame = pd.read_csv(path, parse_dates=["timestamp"])
    arrays = [pa.array(frame["timestamp"].dt.as_unit("ms").astype("int64").to_numpy())]
    arrays += [
        pa.array(np.rint(frame[name].to_numpy() / CATALOGUE[name].scale).astype(np.int32)) for name in COLUMNS
    ]
    yield pa.table(arrays, names=["time_ms", *COLUMNS])


Cost: TypeAlias = tuple[float, float, float, float]
"""Wall and CPU time, peak and starting memory. [s, s, MB, MB]"""
WAYS = {"ours": ours, "pandas": theirs}


def _cpu_s() -> float:
    """CPU time of this process and of the workers that have ended. [s]"""
    usages = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(usage.ru_utime + usage.ru_stime for usage in usages)


def _measure(way: str, path: Path, record: Path | None, days: int, out: mp.Queue[Cost]) -> None:
    base = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    began, cpu = time.perf_counter(), _cpu_s()
    tables = WAYS[way](path)
    if record is None:
        _drain(tables)
    else:
        _adopt(record, tables, days=days)
    spent = time.perf_counter() - began, _cpu_s() - cpu
    out.put((*spent, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, base / 1024))


def measure(way: str, path: Path, record: Path | None, days: int) -> Cost:
    """Run one way in a process of its own: what it costs."""
    context = mp.get_context("spawn")
    out: mp.Queue[Cost] = context.Queue()
    child = context.Process(target=_measure, args=(way, path, record, days, out))
    child.start()
    measured = out.get()
    child.join()
    return measured


def main() -> None:
    """Run all."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=3, help="days of the file that is stored")
    parser.add_argument("--month", action="store_true", help="also import 30 days and show the memory")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        rows = write_file(folder / "days.csv", options.days)
        size = (folder / "days.csv").stat().st_size / 1e6
        print(f"{rows} rows, {size:.0f} MB of CSV, {len(COLUMNS)} columns")
        for what, stored in (("reading alone", False), ("with storage", True)):
            spent = {}
            for way in WAYS:
                record = folder / f"{way}.db" if stored else None
                wall, cpu, peak, base = measure(way, folder / "days.csv", record, options.days)
                spent[way] = cpu
                rate = rows / wall / 1e3
                print(f"{what}, {way}: {wall:.2f} s ({cpu:.2f} s CPU), {rate:.0f} k rows/s", end="")
                print(f", peak {peak:.0f} MB (imports {base:.0f})")
            print(f"{what}, CPU time: ours / pandas = {spent['ours'] / spent['pandas']:.2f}")
        if options.month:
            rows = write_file(folder / "month.csv", 30)
            wall, cpu, peak, base = measure("ours", folder / "month.csv", folder / "month.db", 30)
            print(f"30 days, {rows} rows: {wall:.1f} s, peak {peak:.0f} MB (imports {base:.0f})")


if __name__ == "__main__":
    main()
