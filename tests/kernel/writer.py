"""Runs inside the guest: writes a record on /mnt as fast as it goes and says on the console what is safe.

Simulated time runs ahead so that days end, are sealed and backed up within seconds. Every line "COMMITTED
<ms>" is printed only after the store said that everything up to that instant is on the disk: the
console, outside the machine, is the second recorder.

A record is brought up from an older schema by opening it. So that this happens often, the record is now and
then turned back to schema 1, with digests in one part, as that version wrote them, and opened again.
"""

import argparse
import os
import random
import sqlite3
import subprocess
import sys
import threading
from pathlib import Path

import pyarrow as pa
from sqlalchemy import event

from adapters.base import Subject
from analysis.facts import PackFacts
from logger.record import sealing, sealing_due, verify  # noqa: F401 - imported before the machine is saved
from logger.record.backup import backup
from logger.record.store import Store
from logger.record.store_types import Stamped

DAY_MS = 86_400_000
START_MS = 1_767_225_600_000  # 2026-01-01T00:00Z
PER_DAY = 120  # readings a pack and simulated day
OLD_DIGESTS = 30
OLD_DIGEST_BYTES = 13_000
OLD_TABLES = {"meta", "pack", "source", "boot", "reading", "witness_reading", "event", "sealed_day", "digest",
              "finding", "report"}  # fmt: skip
OLD_DIGEST = "CREATE TABLE digest (pack TEXT, day TEXT, seq INTEGER, version BIGINT, facts TEXT, body BLOB)"


def say(*words: object) -> None:
    os.write(1, (" ".join(str(w) for w in words) + "\n").encode())


def values(n: int) -> dict[str, int]:
    out = {"pack_v": 5300 + n % 37, "pack_a": (n * 7919) % 8000 - 4000, "soc": 5000 + n % 300}
    for i in range(1, 17):
        out[f"cell_{i:02d}_v"] = 3312 + (n * (i + 3)) % 11
    for i in range(1, 5):
        out[f"temp_{i}"] = 40 + (n + i) % 5
    return out


def stamp(n: int) -> int:
    """Return the simulated time of reading n. [ms]"""
    return START_MS + (n // PER_DAY) * DAY_MS + (n % PER_DAY) * (DAY_MS // PER_DAY)


def number(time_ms: int) -> int:
    """Return n of the reading at a simulated time."""
    day, rest = divmod(time_ms - START_MS, DAY_MS)
    return day * PER_DAY + rest // (DAY_MS // PER_DAY)


def newest(store: Store, pack: str) -> int:
    """Return the number of a pack's newest reading; -1 if there is none."""
    latest = store.latest(Subject(pack))
    times = [d.last_ms for d in store.sealed_days(pack)] + ([latest.time_ms] if latest else [])
    return number(max(times)) if times else -1


def arguments() -> argparse.Namespace:
    """Wait for a line on the console, when all is imported, and mount the disk; return what it said."""
    sealing.encode_day(pa.table({"time_ms": [START_MS]}))  # so that the first sealing has nothing to import
    say("READY")
    words = sys.stdin.readline().split()
    subprocess.run(["mount", "-t", "ext4", "-o", "rw,noatime", "/dev/vda", "/mnt"], check=True)
    parser = argparse.ArgumentParser()
    parser.add_argument("record", type=Path)
    parser.add_argument("--batch", type=int, default=10)
    parser.add_argument("--synchronous", choices=("FULL", "NORMAL"), default="FULL")
    parser.add_argument("--checkpoint", type=int, default=400, help="pages in the log before a checkpoint")
    parser.add_argument("--backup-every", type=int, default=1, help="simulated days")
    parser.add_argument("--migrate-every", type=int, default=2, help="simulated days")
    return parser.parse_args(words)


def main() -> None:
    """Write until the power is cut."""
    args = arguments()
    store = opened(args)
    for pack in "AB":
        store.ensure_pack(pack, PackFacts(pack))
    n = newest(store, "A") + 1
    say("WRITER", n)
    copying: threading.Thread | None = None
    while True:
        n = one_batch(store, n, args.batch)
        if n % PER_DAY:
            continue
        say("SEALING")
        store.seal_due(stamp(n) + 7_200_000)
        say("SEALED", stamp(n))
        day = n // PER_DAY
        if copying is not None:
            copying.join()
        if day % args.migrate_every == 0:
            store.close()
            turn_back(args.record)
            say("MIGRATING")
            store = opened(args)
            say("MIGRATED")
        if day % args.backup_every == 0:
            # Beside the writing, as a person would do it while the logger runs.
            copying = threading.Thread(target=back_up, args=(args.record,))
            copying.start()


def one_batch(store: Store, n: int, batch: int) -> int:
    """Commit the next readings; return the number of the one to go on with."""
    end = min(n + batch, (n // PER_DAY + 1) * PER_DAY)
    readings = [Stamped(Subject(p), stamp(i), values(i)) for i in range(n, end) for p in "AB"]
    say("OFFERED", stamp(end - 1))
    store.append(readings)
    say("COMMITTED", stamp(end - 1))
    return end


def opened(args: argparse.Namespace) -> Store:
    """Open the record as the logger does, with the settings under trial."""
    store = Store.open(args.record, logging=True, timezone="UTC")
    engine = store._engine  # noqa: SLF001 - settings that no user may change
    engine.dispose()

    def settings(db: sqlite3.Connection, _: object) -> None:
        if args.synchronous != "FULL":
            db.execute(f"PRAGMA synchronous={args.synchronous}")
        db.execute(f"PRAGMA wal_autocheckpoint={args.checkpoint}")

    event.listen(engine, "connect", settings)
    return store


def turn_back(record: Path) -> None:
    """Make the record what version 1 wrote, digests as large as they were, and drop the copy beside it."""
    say("TURNING-BACK")
    rng = random.Random(record.stat().st_size)
    rows = [
        ("A", f"2026-01-{d + 1:02d}", d, 1, "", rng.randbytes(OLD_DIGEST_BYTES)) for d in range(OLD_DIGESTS)
    ]
    db = sqlite3.connect(record, isolation_level=None)
    db.execute("BEGIN IMMEDIATE")
    tables = [r[0] for r in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
    for name in tables:
        if name == "digest" or (name not in OLD_TABLES and not name.startswith("sqlite_")):
            db.execute(f"DROP TABLE {name}")
    db.execute(OLD_DIGEST)
    db.executemany("INSERT INTO digest VALUES (?, ?, ?, ?, ?, ?)", rows)
    db.execute("UPDATE meta SET value = '1' WHERE key = 'schema'")
    db.execute("COMMIT")
    db.close()
    Path(f"{record}.schema1").unlink(missing_ok=True)
    say("TURNED-BACK")


def back_up(record: Path) -> None:
    """Back up beside the record, over the backup before."""
    say("BACKUP")
    backup(str(record), record.with_suffix(".backup"))
    say("BACKED-UP")


if __name__ == "__main__":
    main()
