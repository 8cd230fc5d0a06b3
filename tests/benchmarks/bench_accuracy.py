"""How right the findings are, on banks whose truth is known.

Run `nice python tests/benchmarks/bench_accuracy.py [WORD …]`: every word must be in a case's name; `healthy`
gives the healthy banks. `--cache DIR` keeps the simulated tables, so that only the analysis runs again;
empty it when the simulated bank changes.
"""

from __future__ import annotations

import argparse
import datetime as dt
import pickle
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from zoneinfo import ZoneInfo

import pyarrow as pa
import pyarrow.parquet as pq

from analysis.digest import DayDigest, digest
from analysis.facts import PackFacts
from analysis.finding import Finding
from analysis.findings import findings
from analysis.history import Bank, History
from logger.store_frames import to_frame, to_witness
from sample_data.accuracy import Verdict, is_false, judge
from sample_data.accuracy_table import confusion, summary, table
from sample_data.bank import PackSpec
from sample_data.faults import Case, RecordedDay, healthy, library, record
from sample_data.history import TripTruth, bounds

REVIEW_EVERY = 7


def facts_of(spec: PackSpec) -> PackFacts:
    """What the user of such a pack would have told us."""
    return PackFacts(
        name=spec.name,
        n_cells=spec.n_cells,
        rated_ah=spec.rated_ah,
        balance_a=spec.balance_a,
        balance_start_v=spec.balance_start_v,
        heater_w=spec.heater_w,
        heater_measured="inside" if spec.heater_inside else "outside",
        cell_temps=4,
    )


def played(case: Case, cache: Path | None) -> Iterator[RecordedDay]:
    """The case's days, from the cache if they are there."""
    if cache is None:
        yield from record(case)
        return
    folder = cache / "".join(c if c.isalnum() else "_" for c in f"{case.name} {case.days} {case.first_day}")
    done = folder / "done"
    if not done.exists():
        folder.mkdir(parents=True, exist_ok=True)
        for day in record(case):
            for group, tables in (("pack", day.tables), ("witness", day.witness)):
                for name, t in tables.items():
                    pq.write_table(t, folder / f"{day.day}.{group}.{name}.parquet", compression="zstd")
            (folder / f"{day.day}.truth").write_bytes(pickle.dumps(day.truth))
        done.touch()
    for path in sorted(folder.glob("*.truth")):
        tables: dict[str, dict[str, pa.Table]] = {"pack": {}, "witness": {}}
        for file in sorted(folder.glob(f"{path.stem}.*.parquet")):
            group, name = file.name.split(".")[1:3]
            tables[group][name] = pq.read_table(file)
        truth = pickle.loads(path.read_bytes())  # noqa: S301 - our own cache
        yield RecordedDay(dt.date.fromisoformat(path.stem), tables["pack"], tables["witness"], truth)


def review(case: Case, digests: dict[str, list[DayDigest]]) -> tuple[Finding, ...]:
    """What would be said of the bank today."""
    packs = tuple(History.of(facts_of(s), digests[s.name]) for s in case.scenario.packs)
    return findings(Bank(packs, case.scenario.timezone))


Outcome = tuple[
    list[Verdict], list[tuple[str, str]], list[tuple[dt.date, tuple[Finding, ...]]], dict[str, float]
]


def run(case: Case, cache: Path | None) -> Outcome:
    """Play one case and score it."""
    zone = ZoneInfo(case.scenario.timezone)
    digests: dict[str, list[DayDigest]] = {s.name: [] for s in case.scenario.packs}
    last: dict[str, pa.Table] = {}
    trips: list[TripTruth] = []
    reviews: list[tuple[dt.date, tuple[Finding, ...]]] = []
    spent = {"digest": 0.0, "findings": 0.0, "days": 0.0}
    for number, day in enumerate(played(case, cache), start=1):
        trips.extend(day.truth.trips)
        witnesses = tuple(to_witness(name, t) for name, t in day.witness.items())
        span = bounds(day.day, zone)
        start = time.process_time()
        for spec in case.scenario.packs:
            if spec.name not in day.tables:
                last.pop(spec.name, None)
                continue
            t = day.tables[spec.name]
            lead = last.get(spec.name)
            frame = to_frame(spec.name, day.day.isoformat(), (float(span[0]), float(span[1])), t, lead)
            digests[spec.name].append(digest(frame, facts_of(spec), witnesses))
            last[spec.name] = t.slice(max(0, t.num_rows - 1800 // case.period_s))
        spent["digest"] += time.process_time() - start
        start = time.process_time()
        if number % REVIEW_EVERY == 0 or number == case.days:
            reviews.append((day.day, review(case, digests)))
        spent["findings"] += time.process_time() - start
        spent["days"] += len(case.scenario.packs)
    verdicts = [judge(case, fault, reviews, trips, day.truth) for fault in case.faults]
    wrong = {
        (f.kind, f"{f.pack} {f.cell or ''}".strip()) for _, fs in reviews for f in fs if is_false(case, f)
    }
    return verdicts, sorted(wrong), reviews, spent


def main() -> None:
    """Run the cases asked for and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("words", nargs="*")
    parser.add_argument("--cache", type=Path)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--verbose", action="store_true", help="print every finding of the last review")
    options = parser.parse_args()
    cases = [c for c in (*library(), *healthy()) if all(w in c.name for w in options.words)]
    verdicts: list[Verdict] = []
    years, wrong_watch = 0.0, []
    with ProcessPoolExecutor(options.workers, mp_context=get_context("spawn")) as pool:
        for case, (scored, wrong, reviews, spent) in zip(
            cases, pool.map(run, cases, [options.cache] * len(cases)), strict=True
        ):
            verdicts += scored
            if not case.faults:
                years += case.days / 365.25
                wrong_watch += [(case.name, *w) for w in wrong]
                print(f"{case.name}: {len(wrong)} false", flush=True)
            else:
                print(table(scored).split("\n", 1)[1], flush=True)
            print(
                f"        {1000 * spent['digest'] / max(1, spent['days']):.0f} ms a digest, "
                f"{1000 * spent['findings'] / len(reviews):.0f} ms a review",
                flush=True,
            )
            if options.verbose:
                for f in reviews[-1][1]:
                    size = f"{f.value} [{f.low}, {f.high}] {f.unit}"
                    print(
                        f"        {f.severity} {f.kind} {f.pack} {f.cell} since {f.since} {size}", f.forecast
                    )
                    for line in f.evidence:
                        print("            ", line)
    if verdicts:
        print("\n" + table(verdicts), "\n\n" + confusion(verdicts), "\n\n" + summary(verdicts))
    if years:
        print(
            f"\nfalse findings on healthy banks, watch or above: {len(wrong_watch)} in {years:.2f} bank-years"
        )
        for line in wrong_watch:
            print("   ", *line)


if __name__ == "__main__":
    main()
