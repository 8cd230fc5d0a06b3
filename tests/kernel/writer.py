"""Runs inside the guest: writes a record on /mnt as fast as it goes and says on the console what is safe.

Simulated time runs ahead so that days end, are sealed and backed up within seconds. Every line "COMMITTED
<pack> <ms>" is printed only after the store said that everything up to that instant is on the disk: the
console, outside the machine, is the second recorder.
"""

import argparse
import itertools
import os
import sys
import time
from pathlib import Path

from sqlalchemy import event

from adapters.base import Subject
from analysis.facts import PackFacts
from logger.record.store import Store
from logger.record.store_types import Stamped

DAY_MS = 86_400_000
START_MS = 1_767_225_600_000  # 2026-01-01T00:00Z
PER_DAY = 240  # readings a pack and simulated day


def say(*words: object) -> None:
    os.write(1, (" ".join(str(w) for w in words) + "\n").encode())


def values(n: int) -> dict[str, int]:
    out = {"pack_v": 5300 + n % 37, "pack_a": (n * 7919) % 8000 - 4000, "soc": 5000 + n % 300}
    for i in range(1, 17):
        out[f"cell_{i:02d}_v"] = 3312 + (n * (i + 3)) % 11
    for i in range(1, 5):
        out[f"temp_{i}"] = 40 + (n + i) % 5
    return out


def resume(store: Store) -> int:
    """Return the number of the reading to go on with."""
    newest = max((s.time_ms for p in "AB" if (s := store.latest(Subject(p)))), default=None)
    days = [d.last_ms for d in store.sealed_days("A")]
    last = max([*days, newest or 0])
    return 0 if last == 0 else next(n for n in itertools.count() if stamp(n) > last)


def stamp(n: int) -> int:
    """Return the simulated time of reading n. [ms]"""
    return START_MS + (n // PER_DAY) * DAY_MS + (n % PER_DAY) * (DAY_MS // PER_DAY)


def main() -> None:
    """Write until the power is cut."""
    parser = argparse.ArgumentParser()
    parser.add_argument("record", type=Path)
    parser.add_argument("--batch", type=int, default=10)
    parser.add_argument("--pause", type=float, default=0.0)
    parser.add_argument("--synchronous", choices=("FULL", "NORMAL"), default="FULL")
    args = parser.parse_args()
    sys.stdout.flush()
    with Store.open(args.record, logging=True, timezone="UTC") as store:
        if args.synchronous != "FULL":
            weaken(store, args.synchronous)
        for pack in "AB":
            store.ensure_pack(pack, PackFacts(pack))
        n = resume(store)
        say("WRITER", n, store.meta("schema_version"))
        while True:
            batch = [
                Stamped(Subject(p), stamp(n + i), values(n + i)) for i in range(args.batch) for p in "AB"
            ]
            say("OFFERED", stamp(n + args.batch - 1))
            store.append(batch)
            n += args.batch
            say("COMMITTED", stamp(n - 1))
            if n % PER_DAY == 0:
                say("SEALING")
                store.seal_due(stamp(n) + 7_200_000)
                say("SEALED", stamp(n))
                if n % (3 * PER_DAY) == 0:
                    backup(args.record)
            time.sleep(args.pause)


def weaken(store: Store, synchronous: str) -> None:
    """Let the store's connections skip flushes, to see what that would cost."""
    engine = store._engine
    engine.dispose()
    event.listen(engine, "connect", lambda db, _: db.execute(f"PRAGMA synchronous={synchronous}"))


def backup(record: Path) -> None:
    """Back up beside the record, as a person would while logging."""
    from logger.record.backup import backup as copy

    target = record.with_suffix(".backup")
    target.unlink(missing_ok=True)
    say("BACKUP")
    copy(str(record), target)
    say("BACKED-UP")


if __name__ == "__main__":
    main()
