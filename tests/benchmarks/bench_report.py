"""What reports and page cost: the week over a month to ten years of history, the page with five years.

Run `nice python tests/benchmarks/bench_report.py [--quick] [--cache FILE] [PART …]`, parts: week page help.
The digests are those of `ten_years.py`. The week's time runs from the start of the interpreter's work to the
files on disk, in a process of its own, so that imports count.
"""

from __future__ import annotations

import argparse
import asyncio
import datetime as dt
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from zoneinfo import ZoneInfo

from sqlalchemy import insert
from starlette.types import ASGIApp, Message
from ten_years import CACHE, LAST, Kept, base, repeated

from adapters.base import Subject
from analysis.digest import VERSION
from analysis.history import LOOK_BACK_DAYS
from logger.config import Config
from logger.record import schema, sealing_day
from logger.record.days import day_bounds_ms
from logger.record.opening import open_record
from logger.record.sealing_index import KeptDigest, keep_digest
from logger.record.store import Store
from sample_data.history import simulate
from sample_data.orchard import ORCHARD

ZONE = ZoneInfo("Europe/Vienna")
TOML = '[site]\nname = "Bench"\ntimezone = "Europe/Vienna"\n' + "".join(
    f'[[pack]]\nname = "{name}"\ntemps = 5\ncell_temps = 4\nheater_w = 140\nheater_measured = "inside"\n'
    for name in "AB"
)
WEEK = """
import sys, time
began = time.perf_counter()
from datetime import date
from pathlib import Path
from logger.config import Config
from logger.record.opening import open_record
from logger.documents.week import write_week
config = Config.load(Path(sys.argv[1]))
with open_record(config, "read") as store:
    write_week(store, config, date.fromisoformat(sys.argv[2]), Path(sys.argv[3]))
print(time.perf_counter() - began, time.process_time())
"""


def fill(folder: Path, kept: dict[str, list[Kept]], days: int) -> Config:
    """Write a site with so many sealed days of each pack; their blobs are empty, only digests count here."""
    folder.mkdir(parents=True)
    (folder / "bank.toml").write_text(TOML)
    config = Config.load(folder / "bank.toml")
    with open_record(config, "write") as store, store.writing() as conn:
        seq = 0
        for name, found in kept.items():
            print_of = sealing_day.facts_print(config.pack_facts(name))
            for day, core, detail in repeated(found, days):
                seq += 1
                first, last = day_bounds_ms(day, ZONE)
                conn.execute(insert(schema.sealed_day).values(
                    seq=seq, kind="pack", name=name, day=day, revision=1, supersedes=None, zone=ZONE.key,
                    row_count=86400, first_ms=first, last_ms=last - 1000, sealed_ms=last, sha256="0" * 64,
                    chain="0" * 64, blob=b"",
                ))  # fmt: skip
                keep_digest(conn, name, KeptDigest(day, seq, VERSION, print_of, core, detail))
    return config


def bench_week(folder: Path, kept: dict[str, list[Kept]], quick: bool) -> None:
    """Time the week over three lengths of history, each in a fresh interpreter."""
    spans = (("one month", 35), ("look back", LOOK_BACK_DAYS), ("ten years", 3652))
    results: dict[str, float] = {}
    for name, days in spans:
        place = folder / name.replace(" ", "-")
        fill(place, kept, days)
        runs = []
        command = [sys.executable, "-c", WEEK, str(place / "bank.toml"), str(LAST), str(place / "out")]
        for turn in range(3 if quick else 6):
            ran = subprocess.run(command, capture_output=True, text=True, check=True, env=_as_installed())
            if turn:  # the first one compiles
                wall_s, cpu_s = ran.stdout.split()
                runs.append((float(wall_s), float(cpu_s)))
        wall, cpu = (statistics.median(column) for column in zip(*runs, strict=True))
        results[name] = cpu
        print(f"week over {name:10s} {wall:5.2f} s wall, {cpu:5.2f} s CPU (goal 4 s after interpreter start)")
    for name, days in spans[:2]:
        print(f"ten years cost {results['ten years'] / results[name]:.2f} × {days} days")


def _as_installed() -> dict[str, str]:
    """Surroundings in which modules stay compiled, as they are once a program is installed."""
    return {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}


def bench_page(folder: Path, kept: dict[str, list[Kept]], quick: bool) -> None:
    """Time the first load of the page, with five years sealed and a whole day of hot rows at 1 Hz."""
    from logger.page.app import make_app

    place = folder / "page"
    config = fill(place, kept, 365 * 5)
    today = dt.date(2036, 1, 22)
    start, end = day_bounds_ms(today, ZONE)
    with open_record(config, "write") as store:
        for one in simulate(ORCHARD, today, 1, period_s=1):
            for name, table in one.tables.items():
                store.adopt(Subject(name), table, now_ms=end - 1)
    times, openings = [], []
    for _ in range(3 if quick else 7):
        with Store.open(config.database) as store:
            store.set_timezone(ZONE.key)
            began = time.perf_counter()
            app = make_app(store, config, token=None, now_s=lambda: end / 1000 - 1)
            openings.append(time.perf_counter() - began)
            began = time.perf_counter()
            size = asyncio.run(_get(app, "/"))
            times.append(time.perf_counter() - began)
    print(f"page, first load {statistics.median(times):.3f} s, {size} bytes (goal 0.5 s); day from {start}")
    print(f"page, reading the day before it says that it is there {statistics.median(openings):.3f} s")


async def _get(app: ASGIApp, path: str) -> int:
    size = 0

    async def send(message: Message) -> None:
        nonlocal size
        assert message.get("status", 200) == 200
        size += len(message.get("body", b""))

    async def receive() -> Message:
        return {"type": "http.request", "body": b"", "more_body": False}

    scope = {
        "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": "GET", "scheme": "http",
        "path": path, "raw_path": path.encode(), "query_string": b"", "root_path": "",
        "headers": [(b"host", b"localhost")], "client": ("127.0.0.1", 1), "server": ("127.0.0.1", 8420),
    }  # fmt: skip
    await app(scope, receive, send)
    return size


def bench_help(quick: bool) -> None:
    """Time `bankbook --help` against a bare import of pandas."""
    program = [str(Path(sys.executable).with_name("bankbook")), "--help"]
    peer = [sys.executable, "-c", "import pandas"]
    ours, theirs = [], []
    for _ in range(3 if quick else 9):
        ours.append(_cpu(program))
        theirs.append(_cpu(peer))
    a, b = statistics.median(ours), statistics.median(theirs)
    print(f"--help {a:.2f} s CPU, import pandas {b:.2f} s CPU: {a / b:.2f} × (goal 0.4 ×)")


def _cpu(command: list[str]) -> float:
    before = os.times()
    subprocess.run(command, stdout=subprocess.DEVNULL, check=True)
    after = os.times()
    return after.children_user + after.children_system - before.children_user - before.children_system


def main() -> None:
    """Run the parts asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="fewer runs")
    parser.add_argument("--cache", type=Path, default=CACHE, help="where the simulated digests are kept")
    parser.add_argument("parts", nargs="*", default=["week", "page", "help"])
    wish = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        kept = base(wish.cache) if {"week", "page"} & set(wish.parts) else {}
        if "week" in wish.parts:
            bench_week(folder, kept, wish.quick)
        if "page" in wish.parts:
            bench_page(folder, kept, wish.quick)
        if "help" in wish.parts:
            bench_help(wish.quick)


if __name__ == "__main__":
    main()
