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
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from analysis.digest import DayDigest, digest
from analysis.estimate import Estimate
from analysis.facts import PackFacts
from analysis.finding import Finding
from analysis.findings import findings
from analysis.health import health
from analysis.history import Bank, History
from logger.record.store_frames import to_frame, to_witness
from sample_data.accuracy import Review, Verdict, is_false, judge
from sample_data.accuracy_table import confusion, summary, table
from sample_data.bank import PackSpec, bank_day
from sample_data.faults import Case, RecordedDay, healthy, library, record
from sample_data.history import DayTruth, TripTruth, bounds
from sample_data.truth import median_ohm, missing_h, round_trip, usable_ah


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
        found: dict[str, dict[str, pa.Table]] = {"pack": {}, "witness": {}}
        for file in sorted(folder.glob(f"{path.stem}.*.parquet")):
            group, name = file.name.split(".")[1:3]
            found[group][name] = pq.read_table(file)
        truth = pickle.loads(path.read_bytes())  # noqa: S301 - our own cache
        yield RecordedDay(dt.date.fromisoformat(path.stem), found["pack"], found["witness"], truth)


def review(case: Case, digests: dict[str, list[DayDigest]]) -> tuple[Finding, ...]:
    """What would be said of the bank today."""
    packs = tuple(History.of(facts_of(s), digests[s.name]) for s in case.scenario.packs)
    return findings(Bank(packs, case.scenario.timezone))


def numbers(case: Case, digests: dict[str, list[DayDigest]], truths: dict[dt.date, DayTruth]) -> list[str]:
    """Long-term numbers against the truth, as lines: what a healthy bank's report would say."""
    packs = tuple(History.of(facts_of(s), digests[s.name]) for s in case.scenario.packs)
    said = health(Bank(packs, case.scenario.timezone))
    last = bank_day(case.scenario, case.days - 1)
    lines = []
    for spec, now, pack in zip(case.scenario.packs, last.packs, said.packs, strict=True):
        gain = now.gain * case.mess.gain
        days = {day: t.packs[spec.name] for day, t in truths.items()}
        final = days[max(days)]
        runs = pack.capacity.pairs  # a capacity speaks of the day of its last run
        then = days.get(dt.date.fromisoformat(runs[-1].day), final) if runs else final
        trip = pack.efficiency.round_trip
        first, last_day = pack.efficiency.days
        inside = [t for day, t in days.items() if not first or first <= str(day) <= last_day]
        rows = (
            ("usable capacity (shown)", pack.capacity.usable, gain * usable_ah(then)),
            ("round trip", trip, round_trip(inside, case.scenario.chemistry)),
            (
                "resistance at 25 °C × gain",
                pack.resistance.median,
                median_ohm(final, case.scenario.chemistry, pack.resistance.base_s) / gain,
            ),
            ("heater energy", pack.cold.energy, sum(d.heater_wh for d in days.values())),
            ("sensor offset", pack.sensor.offset, case.mess.gain * now.offset_a + case.mess.offset_a),
        )
        lines += [f"{spec.name} {_number(title, found, truth)}" for title, found, truth in rows]
    return lines


def _number(title: str, found: Estimate, truth: float) -> str:
    """One number beside its truth."""
    if found.value is None:
        return f"{title:26} –          truth {truth:9.4g} {found.unit}: {found.reason[:60]}"
    low, high = (found.value if x is None else x for x in (found.low, found.high))
    held = "in" if low <= truth <= high else "OUT"
    off = f"{100 * (found.value - truth):+.2f} points" if found.unit == "1" else ""
    off = off or f"{100 * (found.value / truth - 1):+.1f} %" if truth else off
    ends = f"95 % {low:.4g} to {high:.4g} {held}"
    return f"{title:26} {found.value:9.4g} truth {truth:9.4g} {found.unit:2} ({off}) {ends}"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of a case: verdicts, false findings, all that was said, CPU seconds, numbers and truth."""

    verdicts: list[Verdict]
    wrong: list[tuple[str, str]]
    reviews: list[Review]
    spent: dict[str, float]
    lines: list[str]
    last: tuple[Finding, ...]


def run(case: Case, cache: Path | None, every: int) -> Outcome:
    """Play one case and score it; somebody asks every so many days."""
    zone = ZoneInfo(case.scenario.timezone)
    digests: dict[str, list[DayDigest]] = {s.name: [] for s in case.scenario.packs}
    last: dict[str, pa.Table] = {}
    trips: list[TripTruth] = []
    truths: dict[dt.date, DayTruth] = {}
    spans: dict[dt.date, tuple[float, float]] = {}
    times: dict[str, dict[dt.date, np.ndarray]] = {s.name: {} for s in case.scenario.packs}
    reviews: list[Review] = []
    said: tuple[Finding, ...] = ()
    spent = {"digest": 0.0, "findings": 0.0, "days": 0.0}
    for number, day in enumerate(played(case, cache), start=1):
        trips.extend(day.truth.trips)
        truths[day.day] = day.truth
        witnesses = tuple(to_witness(name, t) for name, t in day.witness.items())
        span = bounds(day.day, zone)
        spans[day.day] = (float(span[0]), float(span[1]))
        start = time.process_time()
        for spec in case.scenario.packs:
            if spec.name not in day.tables:
                last.pop(spec.name, None)
                continue
            t = day.tables[spec.name]
            times[spec.name][day.day] = t["time_ms"].to_numpy()
            lead = last.get(spec.name)
            frame = to_frame(spec.name, day.day.isoformat(), spans[day.day], t, lead)
            digests[spec.name].append(digest(frame, facts_of(spec), witnesses))
            last[spec.name] = t.slice(max(0, t.num_rows - 1800 // case.period_s))
        spent["digest"] += time.process_time() - start
        start = time.process_time()
        if number % every == 0 or number == case.days:
            said = review(case, digests)
            frost = {name: sum(t.packs[name].cold_ah for t in truths.values()) for name in digests}
            month = dict(list(spans.items())[-30:])
            missing = {name: missing_h(times[name], month) for name in digests}
            reviews.append(Review(day.day, said, day.truth, frost, missing))
        spent["findings"] += time.process_time() - start
        spent["days"] += len(case.scenario.packs)
    verdicts = [judge(case, fault, reviews, trips) for fault in case.faults]
    wrong = {
        (str(f.kind), f"{f.pack} {f.cell or ''}".strip())
        for r in reviews
        for f in r.findings
        if is_false(case, f)
    }
    return Outcome(verdicts, sorted(wrong), reviews, spent, numbers(case, digests, truths), said)


def show(case: Case, outcome: Outcome, *, verbose: bool) -> None:
    """Print one case."""
    spent = outcome.spent
    print(f"{case.name}: {len(outcome.wrong)} false")
    if outcome.verdicts:
        print(table(outcome.verdicts).split("\n", 1)[1])
    print(*(f"        {line}" for line in outcome.lines), sep="\n")
    times = 1000 * spent["digest"] / max(1, spent["days"]), 1000 * spent["findings"] / len(outcome.reviews)
    print(f"        {times[0]:.0f} ms a digest, {times[1]:.0f} ms a review")
    if verbose:
        for f in outcome.last:
            size = f"{f.value} [{f.low}, {f.high}] {f.unit}"
            print(f"        {f.severity} {f.kind} {f.pack} {f.cell} since {f.since} {size}", f.forecast)
            print(*(f"             {line}" for line in f.evidence), sep="\n")
    print(end="", flush=True)


def main() -> None:
    """Run the cases asked for and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("words", nargs="*")
    parser.add_argument("--cache", type=Path)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--every", type=int, default=7, help="days between two reviews")
    parser.add_argument("--verbose", action="store_true", help="print every finding of the last review")
    options = parser.parse_args()
    cases = [c for c in (*library(), *healthy()) if all(w in c.name for w in options.words)]
    verdicts: list[Verdict] = []
    years, false = 0.0, []
    with ProcessPoolExecutor(options.workers, mp_context=get_context("spawn")) as pool:
        for case, outcome in zip(
            cases,
            pool.map(run, cases, *([x] * len(cases) for x in (options.cache, options.every))),
            strict=True,
        ):
            verdicts += outcome.verdicts
            if not case.faults:
                years += case.days / 365.25
                false += [(case.name, *w) for w in outcome.wrong]
            show(case, outcome, verbose=options.verbose)
    if verdicts:
        print("\n" + table(verdicts), "\n\n" + confusion(verdicts), "\n\n" + summary(verdicts))
    if years:
        print(f"\nfalse findings on healthy banks, watch or above: {len(false)} in {years:.2f} bank-years")
        for line in false:
            print("   ", *line)


if __name__ == "__main__":
    main()
