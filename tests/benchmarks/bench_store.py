"""What the record costs: bytes kept, bytes written to the disk, sealing, loading, opening after five years.

Run `nice python tests/benchmarks/bench_store.py [--quick] [PART …]`, parts: bytes load seal written open.
Days of the orchard's pack A, 24 channels at 1 Hz. As root the bytes written are counted below the
filesystem, on a loop device of its own; else from /proc/self/io. CPU seconds are of one core.
"""

from __future__ import annotations

import argparse
import datetime as dt
import os
import sqlite3
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa

from adapters.base import Subject
from adapters.channels import CATALOGUE
from logger.record.chain import ORIGIN, fingerprint, link
from logger.record.days import neighbour
from logger.record.sealing import tidy
from logger.record.sealing_index import record_of, sealed_blob
from logger.record.store import Stamped, Store
from logger.record.store_types import SealedDay
from sample_data.history import simulate
from sample_data.orchard import ORCHARD

A = Subject("A")
FIRST = dt.date(2025, 11, 20)
LATER = 1_900_000_000_000
CHANNELS = [
    "pack_v", "pack_a", "soc", *(f"cell_{i:02d}_v" for i in range(1, 17)),
    *(f"temp_{i}" for i in range(1, 5)), "heater_on",
]  # fmt: skip
LONG = "CREATE TABLE r (time_ms INTEGER, channel INTEGER, value REAL)"
GOALS = {"bytes": 9.5, "ratio": 8.0, "frame_ms": 15.0, "written_10": 160.0, "written_60": 60.0}


def say(what: str, figure: str, goal: str = "", plain: str = "") -> None:
    """Print one line of the table."""
    print(f"{what:<46} {figure:>22}  {goal:<22} {plain}")


def cpu(work: Callable[[], object], times: int = 1) -> float:
    """Return the least CPU time of some runs. [s]"""
    spent = []
    for _ in range(times):
        start = time.process_time()
        work()
        spent.append(time.process_time() - start)
    return min(spent)


def orchard_days(count: int) -> list[pa.Table]:
    """Return days of pack A with the 24 channels."""
    return [
        tidy(d.tables["A"].select(["time_ms", *CHANNELS]), "pack") for d in simulate(ORCHARD, FIRST, count)
    ]


def plain_wide(path: Path, day: pa.Table) -> float:
    """Store a day as plain wide rows; return bytes a reading."""
    db = sqlite3.connect(path)
    db.execute(f"CREATE TABLE r (time_ms INTEGER PRIMARY KEY, {', '.join(f'{c} INTEGER' for c in CHANNELS)})")
    columns = [
        day.column(c).to_pylist() if c in day.column_names else [0] * day.num_rows
        for c in ("time_ms", *CHANNELS)
    ]
    db.executemany(f"INSERT INTO r VALUES ({','.join('?' * 25)})", zip(*columns, strict=True))
    db.commit()
    db.close()
    return float(path.stat().st_size / day.num_rows)


def plain_long(path: Path, day: pa.Table, rows: int) -> float:
    """Store part of a day as one row a value, real numbers, no index; return bytes a reading."""
    db = sqlite3.connect(path)
    db.execute(LONG)
    for row in day.slice(0, rows).to_pylist():
        db.executemany("INSERT INTO r VALUES (?, ?, ?)", long_rows(row))
    db.commit()
    db.close()
    return float(path.stat().st_size / rows)


def long_rows(row: dict[str, Any]) -> list[tuple[int, int, float]]:
    """Return a reading as one row a value."""
    return [
        (row["time_ms"], place, row[name] * CATALOGUE[name].scale)
        for place, name in enumerate(CHANNELS)
        if row.get(name) is not None
    ]


def bench_bytes(folder: Path, days: list[pa.Table]) -> None:
    """Bytes a reading at rest."""
    with Store.open(folder / "hot.db", write=True, timezone="Europe/Vienna") as store:
        empty = (folder / "hot.db").stat().st_size
        store.adopt(A, days[0], now_ms=0)
    hot = ((folder / "hot.db").stat().st_size - empty) / days[0].num_rows
    with Store.open(folder / "sealed.db", write=True, timezone="Europe/Vienna") as store:
        for day in days:
            store.adopt(A, day, now_ms=LATER)
        with store.reading() as conn:
            blobs = [len(sealed_blob(conn, s.seq)) for s in store.sealed_days()]
        digests = sum(r[0] for r in rows(store, "SELECT length(core) + length(detail) FROM digest")) / len(
            days
        )
    sealed = sum(blobs) / sum(d.num_rows for d in days)
    wide, long = plain_wide(folder / "wide.db", days[0]), plain_long(folder / "long.db", days[0], 5000)
    say(
        "bytes a sealed reading, 24 channels",
        f"{sealed:.2f}",
        f"goal ≤ {GOALS['bytes']}",
        f"one row a value {long:.0f} ({long / sealed:.0f} ×)",
    )
    say(
        "  of plain wide rows of the same",
        f"1/{wide / sealed:.1f}",
        f"goal ≤ 1/{GOALS['ratio']:.0f}",
        f"{wide:.0f} byte",
    )
    say("bytes a hot reading", f"{hot:.0f}", "", "room for 62 channels")
    say("bytes a digest", f"{digests:.0f}")
    year = 365.25 * (sum(blobs) / len(days) + digests)
    say(
        "a pack-year at rest", f"{year / 1e6:.0f} MB", "", f"one row a value {long * 31_557_600 / 1e9:.1f} GB"
    )


def rows(store: Store, query: str) -> list[Any]:
    """Ask the record in SQL."""
    with store.reading() as conn:
        return list(conn.exec_driver_sql(query))


def bench_load(folder: Path, days: list[pa.Table]) -> None:
    """A sealed day as arrays."""
    name = (FIRST + dt.timedelta(days=1)).isoformat()
    with Store.open(folder / "load.db", write=True, timezone="Europe/Vienna") as store:
        for day in days[:2]:
            store.adopt(A, day, now_ms=LATER)
        store.frame("A", name)
        took, used = [], cpu(lambda: store.frame("A", name), 10)
        for _ in range(20):
            start = time.perf_counter()
            store.frame("A", name)
            took.append(time.perf_counter() - start)
    plain_wide(folder / "wide2.db", days[1])
    with sqlite3.connect(folder / "wide2.db") as db:
        plain = cpu(lambda: pd.read_sql("SELECT * FROM r", db))
    say(
        "a sealed day as arrays",
        f"{min(took) * 1e3:.1f} ms",
        f"goal ≤ {GOALS['frame_ms']:.0f} ms",
        f"read_sql of wide rows {plain * 1e3:.0f} ms CPU ({plain / used:.0f} ×)",
    )
    say("  CPU", f"{used * 1e3:.1f} ms")


def bench_seal(folder: Path, days: list[pa.Table]) -> None:
    """Sealing a hot day, all of it: read, encode, decode, compare, digest, enter, delete."""
    with Store.open(folder / "seal.db", write=True, timezone="Europe/Vienna") as store:
        put = cpu(lambda: store.adopt(A, days[0], now_ms=0))
        rows(store, "PRAGMA wal_checkpoint(TRUNCATE)")
        before = written()
        took = cpu(lambda: store.seal_due(LATER))
        rows(store, "PRAGMA wal_checkpoint(TRUNCATE)")
        wrote = written() - before
        adopted = cpu(lambda: store.adopt(Subject("B"), days[0], now_ms=LATER))
    say("sealing a hot day", f"{took:.2f} CPU s", "", f"as one row a value to write alone: {put * 24:.0f} s")
    say("  bytes written doing it", f"{wrote / 1e6:.1f} MB")
    say("adopting a past day (import, no hot rows)", f"{adopted:.2f} CPU s")


def written(device: str | None = None) -> int:
    """Return the bytes written so far: by this process, or to a block device."""
    if device is None:
        lines = Path("/proc/self/io").read_text().splitlines()
        return int(next(line.split()[1] for line in lines if line.startswith("write_bytes")))
    os.sync()
    return int(Path(f"/sys/block/{device}/stat").read_text().split()[6]) * 512


@contextmanager
def disk(folder: Path) -> Iterator[tuple[Path, str | None]]:
    """Give a folder on an ext4 of its own with its device's name, or a plain folder and None."""
    image = Path("/dev/shm/bankbook-bench.img")  # noqa: S108 - memory, not a disk, must bear it
    place = folder / "disk"
    place.mkdir()
    try:
        with image.open("wb") as file:
            file.truncate(600 << 20)
        subprocess.run(
            ["mkfs.ext4", "-q", "-F", "-E", "lazy_itable_init=0,lazy_journal_init=0", image],
            check=True,
            capture_output=True,
        )
        subprocess.run(["mount", "-o", "loop", image, place], check=True, capture_output=True)
    except (OSError, subprocess.CalledProcessError):
        image.unlink(missing_ok=True)
        yield place, None
        return
    try:
        yield (
            place,
            Path(
                subprocess.run(
                    ["findmnt", "-no", "SOURCE", place], check=True, capture_output=True, text=True
                ).stdout.strip()
            ).name,
        )
    finally:
        subprocess.run(["umount", place], check=True)
        image.unlink()


def bench_written(folder: Path, days: list[pa.Table], share: float) -> None:
    """Bytes written in a day of one pack, commits and sealing and all."""
    values = days[0].to_pylist()
    batch = [Stamped(A, row.pop("time_ms"), row) for row in values]
    with disk(folder) as (place, device):
        for seconds, goal in ((10, GOALS["written_10"]), (60, GOALS["written_60"])):
            count = round(86_400 / seconds * share)
            with Store.open(place / f"{seconds}.db", write=True, timezone="Europe/Vienna") as store:
                store.number(A)
                before = written(device)
                for number in range(count):
                    store.append(batch[number * seconds : (number + 1) * seconds])
                rows(store, "PRAGMA wal_checkpoint(TRUNCATE)")
                commits = (written(device) - before) / share
                if share < 1:
                    store.adopt(A, days[0].slice(count * seconds), now_ms=0)
                    rows(store, "PRAGMA wal_checkpoint(TRUNCATE)")
                before = written(device)
                store.seal_due(LATER)
                rows(store, "PRAGMA wal_checkpoint(TRUNCATE)")
            sealing = written(device) - before
            total = (commits + sealing) / 1e6
            where = "block layer" if device else "/proc/self/io"
            say(
                f"written a day, commits every {seconds} s",
                f"{total:.0f} MB",
                f"goal ≤ {goal:.0f} MB",
                f"{where}; sealing {sealing / 1e6:.1f} MB of it",
            )
        plain = _plain_written(place, values, device)
    say(
        "  the plain way: a commit a reading",
        f"{plain / 1e6:.0f} MB",
        "",
        f"{plain / 1e6 / total:.0f} × that of 60 s",
    )


def _plain_written(
    place: Path, values: list[dict[str, Any]], device: str | None, readings: int = 600
) -> float:
    """Commit each reading as one row a value; return bytes a day."""
    db = sqlite3.connect(place / "plain.db")
    db.execute(LONG)
    before = written(device)
    for number, row in enumerate(values[:readings]):
        db.executemany("INSERT INTO r VALUES (?, ?, ?)", long_rows({"time_ms": number, **row}))
        db.commit()
    db.close()
    return (written(device) - before) * 86_400 / readings


def bench_open(folder: Path, days: list[pa.Table], years: float = 5) -> None:
    """Opening, and reading every digest, after years of sealed days of two packs."""
    path = folder / "years.db"
    with Store.open(path, write=True, timezone="Europe/Vienna") as store:
        for pack in "AB":
            store.adopt(Subject(pack), days[0].slice(0, 3600), now_ms=LATER)
        store.digests("A")
    grow(path, round(365.25 * years))
    for what, work in (
        ("opening", lambda: Store.open(path, write=True).close()),
        ("opening, newest reading, list of sealed days", lambda: _look(path)),
        ("opening and every digest of both packs", lambda: _digests(path)),
    ):
        say(
            f"{what}, {years:g} years",
            f"{min(cpu(work) for _ in range(3)) * 1e3:.0f} ms CPU",
            "",
            f"file {path.stat().st_size / 1e6:.0f} MB",
        )


def _look(path: Path) -> None:
    from logger.record import store_clock

    with Store.open(path, write=True) as store, store.reading() as conn:
        store_clock.newest_ms(conn)
        assert store.latest(A) is None
        assert len(store.sealed_days("A")) > 1000


def _digests(path: Path) -> None:
    with Store.open(path) as store:
        count = sum(len(store.digests(pack)) for pack in "AB")
    assert count > 2000, count


def grow(path: Path, count: int) -> None:
    """Repeat the first sealed day and digest of each pack over many dates, with a right chain."""
    db = sqlite3.connect(path)
    db.row_factory = sqlite3.Row
    sealed = [dict(r) for r in db.execute("SELECT * FROM sealed_day ORDER BY seq")]
    digests = {r["pack"]: dict(r) for r in db.execute("SELECT * FROM digest")}
    seq, chain = len(sealed), sealed[-1]["chain"]
    assert fingerprint(b"") != ORIGIN
    for number in range(1, count):
        for base in sealed:
            seq += 1
            row = {**base, "seq": seq, "day": neighbour(base["day"], number)}
            record = record_of(SealedDay(**{k: v for k, v in row.items() if k != "blob"}))
            chain = row["chain"] = link(chain, record.line())
            db.execute(
                f"INSERT INTO sealed_day ({','.join(row)}) VALUES ({','.join('?' * len(row))})",
                list(row.values()),
            )
            made = {**digests[base["name"]], "day": row["day"], "seq": seq}
            db.execute(
                f"INSERT INTO digest ({','.join(made)}) VALUES ({','.join('?' * len(made))})",
                list(made.values()),
            )
    db.commit()
    db.close()


def main() -> None:
    """Run the parts asked for."""
    parser = argparse.ArgumentParser()
    parser.add_argument(
        "--quick",
        action="store_true",
        help="a tenth of a day; overstates what is written, the log file still growing",
    )
    parser.add_argument("parts", nargs="*", default=["bytes", "load", "seal", "written", "open"])
    asked = parser.parse_args()
    days = orchard_days(1 if set(asked.parts) <= {"seal", "open", "written"} else 3)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if "bytes" in asked.parts:
            bench_bytes(folder, days)
        if "load" in asked.parts:
            bench_load(folder, days)
        if "seal" in asked.parts:
            bench_seal(folder, days)
        if "written" in asked.parts:
            bench_written(folder, days, 0.1 if asked.quick else 1.0)
        if "open" in asked.parts:
            bench_open(folder, days)


if __name__ == "__main__":
    main()
