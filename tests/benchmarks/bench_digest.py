"""What a day costs: digesting sealed days against a bare read of them, and against the plain pandas way.

Run `nice python tests/benchmarks/bench_digest.py [--days 7]`. CPU seconds of one core; the days are the
orchard's, both packs in parallel simulated, pack A measured. `--stages` adds where the time goes.
"""

from __future__ import annotations

import argparse
import cProfile
import datetime as dt
import pstats
import resource
import sqlite3
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pyarrow as pa
import rainflow

from adapters.channels import CATALOGUE
from analysis.digest import digest, dumps
from analysis.facts import PackFacts
from logger.record.sealing import decode_day, encode_day
from logger.record.store_frames import to_frame, to_witness
from sample_data.history import bounds, simulate
from sample_data.orchard import ORCHARD

FIRST = dt.date(2025, 11, 1)
GOAL_YEAR_S, GOAL_RATIO = 45.0, 15.0
CORES = 2


def cpu(work: Callable[[], object]) -> float:
    """CPU seconds a piece of work takes."""
    start = time.process_time()
    work()
    return time.process_time() - start


def sealed(days: int) -> list[tuple[dt.date, bytes, bytes]]:
    """Sealed days of pack A, each with that of the hall's witness."""
    return [
        (day.day, encode_day(day.tables["A"]), encode_day(day.witness["hall"]))
        for day in simulate(ORCHARD, FIRST, days)
    ]


def digest_all(days: list[tuple[dt.date, bytes, bytes]]) -> list[int]:
    """Digest them as the logger does; sizes of what is kept. [bytes]"""
    zone, facts = ZoneInfo(ORCHARD.timezone), PackFacts("A", heater_measured="outside")
    sizes, lead = [], None
    for day, blob, seen in days:
        table = decode_day(blob)
        frame = to_frame("A", str(day), bounds(day, zone), table, lead)
        made = digest(frame, facts, [to_witness("hall", decode_day(seen))])
        sizes.append(len(dumps(made)[0]))
        lead = decode_day(blob, tail=True)
    return sizes


def to_sqlite(days: list[tuple[dt.date, bytes, bytes]], path: Path) -> None:
    """The same days as wide rows."""
    with sqlite3.connect(path) as db:
        for _, blob, _ in days:
            decode_day(blob).to_pandas().to_sql("reading", db, if_exists="append", index=False)


def plain_pandas(path: Path) -> dict[str, float]:
    """Straightforward code for a part of what a digest holds: no hygiene, no knees, no heater."""
    with sqlite3.connect(path) as db:
        rows = pd.read_sql("SELECT * FROM reading ORDER BY time_ms", db)
    for name in rows.columns[1:]:
        rows[name] = rows[name] * CATALOGUE[name].scale
    rows["time"] = pd.to_datetime(rows["time_ms"], unit="ms", utc=True).dt.tz_convert(ORCHARD.timezone)
    rows = rows.set_index("time")
    hours = rows["time_ms"].diff().fillna(0) / 3.6e6
    hours[hours > 30 / 3600] = 0
    flow = pd.DataFrame(
        {
            "ah_in": rows["pack_a"].clip(lower=0) * hours,
            "ah_out": -rows["pack_a"].clip(upper=0) * hours,
            "wh_in": (rows["pack_a"] * rows["pack_v"]).clip(lower=0) * hours,
            "wh_out": -(rows["pack_a"] * rows["pack_v"]).clip(upper=0) * hours,
        }
    )
    cells = rows[[name for name in rows.columns if name.startswith("cell_")]]
    away = cells.sub(cells.median(axis=1), axis=0)
    spread = cells.max(axis=1) - cells.min(axis=1)
    parts = [flow.resample("D").sum(), away.resample("D").mean(), spread.resample("D").max()]
    daily = pd.concat(parts, axis=1)
    for name in ("pack_a", "soc", "temp_1"):
        if name in rows:
            pd.cut(rows[name], 20).value_counts()
    net = (flow["ah_in"] - flow["ah_out"]).cumsum()
    cycles = sum(c for _, c in rainflow.count_cycles(net.to_numpy(), binsize=2.8))
    return {"days": float(len(daily)), "cycles": cycles}


def peak_mb() -> float:
    """Most memory this program has held. [MB]"""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def report(label: str, value: float, unit: str, goal: str) -> None:
    """One line."""
    print(f"{label:<46}{value:10.3f} {unit:<8}{goal}")


def main() -> None:
    """Measure and print."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--days", type=int, default=7)
    options.add_argument("--stages", action="store_true")
    options.add_argument("--no-plain", action="store_true")
    chosen = options.parse_args()
    days = sealed(chosen.days)
    rows = sum(decode_day(blob).num_rows for _, blob, _ in days)
    digest_all(days[:1])
    read = min(cpu(lambda: [decode_day(blob) for _, blob, _ in days]) for _ in range(3)) / len(days)
    made = min(cpu(lambda: digest_all(days)) for _ in range(3)) / len(days)
    report("bare read of a sealed day", read * 1e3, "ms", "")
    report("read and digest of a day", made * 1e3, "ms", f"goal {GOAL_YEAR_S * CORES / 365 * 1e3:.0f}")
    report("ratio to the bare read", made / read, "x", f"goal {GOAL_RATIO:.0f}")
    report("a pack-year on two cores", made * 365 / CORES, "s", f"goal {GOAL_YEAR_S:.0f}")
    report("core of a digest, mean", float(np.mean(digest_all(days))), "bytes", "goal 3000")
    report("readings a second", rows / (made * len(days)), "", "")
    report(
        "peak memory of this program",
        resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        "MB",
        "goal 500",
    )
    if not chosen.no_plain:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "plain.db"
            to_sqlite(days, path)
            plain = cpu(lambda: plain_pandas(path)) / len(days)
        report("plain pandas over wide rows, a day", plain * 1e3, "ms", "")
        report("plain way over ours", plain / made, "x", "")
        report(
            "peak memory with the plain way",
            resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
            "MB",
            "",
        )
    if chosen.stages:
        profile = cProfile.Profile()
        profile.runcall(digest_all, days)
        pstats.Stats(profile).sort_stats("cumulative").print_stats(r"analysis|logger", 40)


if __name__ == "__main__":
    pa.set_cpu_count(1)
    main()
