"""What a fleet costs: digests a second and worker, one worker against two, and the desk over many banks.

Run `nice python tests/benchmarks/bench_fleet.py [--banks 200] [--days 365] [--compute-banks 4]`; for a fleet
simulated over a year `--simulated FOLDER [--banks 200] [--bases 8] [--workers 1]`, see `fleet_year.py`.

Without a folder the fleet is made of the orchard simulated once for 56 days at 30 s, both packs, and repeated
under other names and dates: costs depend on the number and size of days, not on what is in them. Every bank's
pushes are real pushes of a real record into a file centre for the banks that are computed; for the desk the
remaining banks' rows are copied at the centre under new names.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from datetime import date, timedelta
from pathlib import Path

import fleet_year
from sqlalchemy import Engine, insert, select

from analysis.facts import PackFacts
from logger.fleet import address, central, desk
from logger.fleet.compute import Workers, compute
from logger.fleet.push import push
from logger.record.store import Store
from sample_data.history import simulate
from sample_data.orchard import ORCHARD

BASE_DAYS = 56
FIRST = date(2026, 1, 1)
NOW_MS = 1_790_000_000_000


def make_record(path: Path) -> None:
    """Simulate and record the bank that the fleet is made of."""
    with Store.open(path, write=True, timezone=ORCHARD.timezone) as store:
        for name in ("A", "B"):
            store.ensure_pack(name, PackFacts(name, heater_measured="inside"))
        with store.adopting(now_ms=NOW_MS, workers=2) as adopter:
            from adapters.base import Subject

            for day in simulate(ORCHARD, FIRST, BASE_DAYS, period_s=30):
                for name in ("A", "B"):
                    adopter.put(Subject(name), day.tables[name])


def copy_banks(engine: Engine, first: int, banks: int, days: int) -> None:
    """Copy the first bank's rows under other names, its days over and over up to `days`."""
    with engine.begin() as conn:
        rows = {
            t.name: [dict(r) for r in conn.execute(select(t).where(t.c.bank == "bank000")).mappings()]
            for t in central.TABLES
        }
        repeats = -(-days // BASE_DAYS)
        for number in range(first, banks):
            name = f"bank{number:03d}"
            for table in (central.pack, central.finding, central.report):
                conn.execute(insert(table), [r | {"bank": name} for r in rows[table.name]])
            for turn in range(repeats):
                shift = timedelta(days=-BASE_DAYS * turn)

                def moved(day: str, shift: timedelta = shift) -> str:
                    return (date.fromisoformat(day) + shift).isoformat()

                add = 10_000 * turn
                days_rows = [
                    r | {"bank": name, "day": moved(r["day"]), "seq": r["seq"] + add, "blob": b""}
                    for r in rows["fleet_day"]
                ]
                conn.execute(insert(central.day), days_rows)
                digest_rows = [
                    r | {"bank": name, "day": moved(r["day"]), "seq": r["seq"] + add}
                    for r in rows["fleet_digest"]
                ]
                conn.execute(insert(central.digest), digest_rows)


def timed_compute(url: str, banks: list[str], workers: int) -> tuple[float, int, float]:
    """Return seconds between the end of each worker's first task and the last, digests then, peak [MB]."""
    ends: list[float] = []
    with Workers(workers=workers) as on:
        made = compute(url, on, banks=banks, progress=lambda *_: ends.append(time.perf_counter()))
    return (
        ends[-1] - ends[workers - 1],
        sum(m.days for m in made[workers:]),
        max(m.peak_mb for m in made),
    )


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--banks", type=int, default=200)
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--compute-banks", type=int, default=4)
    parser.add_argument("--simulated", type=Path, help="folder of a fleet simulated over a year")
    parser.add_argument("--bases", type=int, default=8, help="banks simulated for the whole year")
    parser.add_argument("--workers", type=int, default=1, help="processes that simulate")
    args = parser.parse_args()
    if args.simulated is not None:
        members = fleet_year.members(args.banks, args.bases)
        fleet_year.make_all(args.simulated, members, args.workers)
        fleet_year.copy_twins(args.simulated, members)
        fleet_year.measure(args.simulated, members)
        return
    folder = Path(tempfile.mkdtemp(prefix="bankbook-fleet-"))
    url = f"sqlite:///{folder / 'centre.db'}"
    engine = address.connect(url)
    central.prepare(engine)
    make_record(folder / "bank.db")
    names = [f"bank{i:03d}" for i in range(args.compute_banks)]
    with Store.open(folder / "bank.db") as store:
        bytes_a_day = sum(len(b) for b in _blobs(engine, store, names)) / (2 * BASE_DAYS * len(names))
        start = time.perf_counter()
        push(store, engine, "bank-timed", NOW_MS)
        push_s = time.perf_counter() - start
    print(
        f"push: {2 * BASE_DAYS / push_s:.0f} sealed days a second into a file centre; "
        f"{bytes_a_day:.0f} bytes a day"
    )
    with engine.begin() as conn:
        digest_bytes = [len(r.core) + len(r.detail) for r in conn.execute(select(central.digest))]
        conn.execute(central.digest.delete().where(central.digest.c.bank.in_(names)))
    print(f"digest: {sum(digest_bytes) / len(digest_bytes):.0f} bytes kept, detail included")
    rates = {}
    for workers in (1, 2):
        took, count, peak = timed_compute(url, names, workers)
        rates[workers] = count / took
        print(
            f"{workers} worker(s): {rates[workers]:.1f} digests a second at 30 s sampling, "
            f"peak {peak:.0f} MB a worker"
        )
    print(f"scaling from one to two workers {rates[2] / rates[1]:.2f} x (goal 1.8 x)")
    took, count, peak_small = timed_compute(url, names[:1], 1)
    print(f"peak of a worker: {peak_small:.0f} MB over 1 bank, {peak:.0f} over {len(names)} (goal: flat)")
    del took, count
    with Workers() as on:
        compute(url, on, banks=names, keep=True)
    start = time.perf_counter()
    copy_banks(engine, len(names), args.banks, args.days)
    print(f"(copied to {args.banks} banks of {args.days} days in {time.perf_counter() - start:.0f} s)")
    start = time.perf_counter()
    with Workers(workers=1) as on:
        found = desk.gather(url, compute(url, on), on)
    listed_s = time.perf_counter() - start
    start = time.perf_counter()
    desk.write_desk(found, folder / "desk", "2026-09-22", own_reports=0)
    print(f"fleet report over {len(found.states)} banks: gathering {listed_s:.1f} s, pages "
          f"{time.perf_counter() - start:.1f} s (goal 10 s together)")  # fmt: skip
    start = time.perf_counter()
    desk.write_desk(found, folder / "desk", "2026-09-22", own_reports=1)
    print(f"one bank's own page: {time.perf_counter() - start:.1f} s more with it")
    print(f"peak of this process {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


def _blobs(engine: Engine, store: Store, names: list[str]) -> list[bytes]:
    for name in names:
        push(store, engine, name, NOW_MS)
    with engine.connect() as conn:
        return [r.blob for r in conn.execute(select(central.day.c.blob).where(central.day.c.bank.in_(names)))]


if __name__ == "__main__":
    main()
