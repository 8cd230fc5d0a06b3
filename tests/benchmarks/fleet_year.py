"""A simulated fleet over a year: made, recorded, pushed, and judged against what was wrong with it.

`bench_fleet.py --simulated FOLDER` runs it. Every bank that is not a twin is simulated, recorded, digested
and analysed by the logger's own code, and pushes into the centre twice: a week before the end, and at the
end. What is in FOLDER is kept, so that a long run can be done in parts.
"""

from __future__ import annotations

import datetime as dt
import json
import pickle
import shutil
import time
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path

from bench_accuracy import facts_of
from sqlalchemy import insert, literal, select

from adapters.base import Subject
from analysis.findings import findings
from analysis.fleet.visits import BankState, Visit, visits
from analysis.history import Bank, History
from analysis.report.fleet import reason_text
from logger.fleet import address, central, desk
from logger.fleet.compute import Workers, compute, run_task, tasks
from logger.fleet.push import push
from logger.fleet.sources import open_source
from logger.record.store import Store
from logger.record.store_results import finding_from
from sample_data.accuracy import is_false
from sample_data.faults import Case
from sample_data.fleet import BRANCH_DAYS, Member, fleet
from sample_data.history import simulate
from sample_data.state import BankState as Physical
from sample_data.state import initial
from sample_data.telemetry import messy

FIRST_DAY, DAYS, PERIOD_S = dt.date(2025, 3, 31), 364, 60
REPORT_DAY = FIRST_DAY + dt.timedelta(days=DAYS)
"""A Monday; the week before it is what is new."""
WITNESSED = 3
"""Every so manyth base has a witness."""


def members(count: int, bases: int) -> tuple[Member, ...]:
    """Return the fleet."""
    return fleet(count, bases, FIRST_DAY, DAYS)


def centre_of(folder: Path) -> str:
    """Return the address of the fleet's centre."""
    return f"sqlite:///{folder / 'centre.db'}"


def _ms(day: dt.date) -> int:
    return round(dt.datetime.combine(day, dt.time(5), dt.UTC).timestamp() * 1000)


def _play(member: Member, file: Path, state: Physical, first: int, last: int) -> None:
    """Simulate and record days `first` to `last`, the last not included."""
    rest = simulate(
        member.scenario, FIRST_DAY + dt.timedelta(days=first), last - first, period_s=PERIOD_S, state=state
    )
    with (
        Store.open(file, write=True, timezone=member.scenario.timezone) as store,
        store.adopting(now_ms=_ms(REPORT_DAY), workers=0) as adopter,
    ):
        for spec in member.scenario.packs:
            store.ensure_pack(spec.name, replace(facts_of(spec), installed=member.installed.isoformat()))
        for number, day in enumerate(rest, first):
            for name, table in day.witness.items() if member.base % WITNESSED == 0 else ():
                adopter.put(Subject(name, "witness"), table)
            for k, (name, table) in enumerate(day.tables.items()):
                adopter.put(Subject(name), messy(table, member.mess, (member.scenario.seed, number, k)))


def _send(member: Member, file: Path, folder: Path, now: int) -> None:
    """What the logger does at night after `now` days, and the push after it."""
    now_ms = _ms(FIRST_DAY + dt.timedelta(days=now))
    with Store.open(file, write=True, timezone=member.scenario.timezone) as store:
        names = [s.name for s in member.scenario.packs]
        packs = tuple(History.of(store.facts(n), store.digests(n)) for n in names)
        store.save_findings(findings(Bank(packs, member.scenario.timezone)), now_ms)
        engine = address.connect(centre_of(folder))
        push(store, engine, member.name, now_ms)
        engine.dispose()


def _kept(folder: Path, base: str, day: int) -> tuple[Path, Path]:
    return folder / f"{base}.{day}.db", folder / f"{base}.{day}.state"


def make(folder: Path, member: Member) -> float:
    """Make one bank and push it; return CPU seconds, 0 if it was there."""
    done = folder / f"{member.name}.json"
    if done.exists():
        return 0.0
    start = time.process_time()
    file = folder / f"{member.name}.db"
    file.unlink(missing_ok=True)
    base = f"bank{member.base:03d}"
    if member.state == "silent":
        shutil.copyfile(_kept(folder, base, DAYS - member.branch_days)[0], file)
        _send(member, file, folder, DAYS - member.branch_days)
    elif member.branch_days:
        begin = DAYS - member.branch_days
        kept, state_file = _kept(folder, base, begin)
        shutil.copyfile(kept, file)
        state = pickle.loads(state_file.read_bytes())  # noqa: S301 - written by this script
        for first, last in ((begin, DAYS - 7), (DAYS - 7, DAYS)):
            _play(member, file, state, first, last)
            _send(member, file, folder, last)
        file.unlink()
    else:
        state, stops = initial(member.scenario), sorted(DAYS - d for d in (*BRANCH_DAYS, 7))
        for first, last in zip((0, *stops), (*stops, DAYS), strict=True):
            _play(member, file, state, first, last)
            if last >= DAYS - 7:
                _send(member, file, folder, last)
            elif member.state == "well":
                kept, state_file = _kept(folder, base, last)
                shutil.copyfile(file, kept)
                state_file.write_bytes(pickle.dumps(state))
    spent = time.process_time() - start
    done.write_text(json.dumps({"cpu_s": round(spent, 1), "state": member.state}))
    return spent


def make_all(folder: Path, fleet_: Sequence[Member], workers: int) -> None:
    """Make the banks that are not there yet, bases first, and say what it took."""
    folder.mkdir(parents=True, exist_ok=True)
    engine = address.connect(centre_of(folder))
    central.prepare(engine)
    engine.dispose()
    start, spent = time.perf_counter(), 0.0
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        for group in (
            [m for m in fleet_ if m.base == int(m.name[4:])],
            [m for m in fleet_ if m.branch_days],
        ):
            for member, took in zip(group, pool.map(make, [folder] * len(group), group), strict=True):
                spent += took
                if took:
                    passed = time.perf_counter() - start
                    print(f"  {member.name} {member.state}: {took:.0f} s; {passed:.0f} s in all", flush=True)
    print(f"(made in {spent:.0f} s of one core)")


def copy_twins(folder: Path, fleet_: Sequence[Member]) -> None:
    """Give the centre the twins: a base's rows under another name, without the days' blobs."""
    engine = address.connect(centre_of(folder))
    with engine.begin() as conn:
        there = set(conn.execute(select(central.pack.c.bank)).scalars())
        for member in fleet_:
            if member.state != "twin" or member.name in there:
                continue
            base = f"bank{member.base:03d}"
            for table in central.TABLES:
                columns = [c for c in table.c if c.name not in ("bank", "blob")]
                names = ["bank", *(c.name for c in columns)]
                given = [literal(member.name), *columns]
                if "blob" in table.c:
                    names, given = [*names, "blob"], [*given, literal(b"")]
                conn.execute(insert(table).from_select(names, select(*given).where(table.c.bank == base)))
    engine.dispose()


def _what(member: Member) -> str:
    return member.scenario.faults[0].kind if member.scenario.faults else member.state


def judged(fleet_: Sequence[Member], states: Sequence[BankState]) -> list[str]:
    """Hold the desk's list against the hidden truth, and return lines to print."""
    by_name = {m.name: m for m in fleet_ if m.state != "twin"}
    listed = [v for v in visits(states, REPORT_DAY.isoformat()) if v.bank in by_name]
    wanted = {m.name for m in by_name.values() if m.state != "well"}
    calls = {v.bank for v in listed if v.calls}
    top = {v.bank for v in listed[: len(wanted)]}
    right = len(calls & wanted)
    lines = [f"truth, twins left out: {len(wanted)} of {len(by_name)} banks are not well"]
    lines.append(
        f"the desk calls {len(calls)}, {right} rightly: precision {right / max(1, len(calls)):.2f}, "
        f"recall {right / len(wanted):.2f}; of its first {len(wanted)}, {len(top & wanted)} are not well"
    )
    kinds = Counter(_what(m) for m in by_name.values())
    found = Counter(_what(by_name[name]) for name in calls)
    lines += [f"  {kind:20} {found[kind]} of {n} called" for kind, n in sorted(kinds.items())]
    for rank, v in enumerate(listed, 1):
        member = by_name[v.bank]
        if (v.bank in wanted) == (v.bank in calls):
            continue
        word = "missed" if v.bank in wanted else "needless"
        said = reason_text(v.reasons[0]) if v.reasons else "nothing"
        fault = f" {member.scenario.faults[0]}" if member.scenario.faults else ""
        lines.append(f"  {word}: {v.bank}, {member.state}{fault}; place {rank}, score {v.score:.0f}: {said}")
    return lines + _apart(by_name, states, listed)


def _apart(by_name: dict[str, Member], states: Sequence[BankState], listed: Sequence[Visit]) -> list[str]:
    """What nobody would defend, and what the peers alone show."""
    cases = {n: Case(n, m.scenario, FIRST_DAY, DAYS, m.mess, PERIOD_S) for n, m in by_name.items()}
    wrong = [
        f"{s.bank} ({by_name[s.bank].state}): {f.severity} {f.kind} {f.pack} {f.cell or ''}".strip()
        for s in states
        if s.bank in cases
        for f in s.findings
        if is_false(cases[s.bank], f)
    ]
    odd = {n for n, m in by_name.items() if m.state in ("worn", "draughty")}
    far = {v.bank for v in listed if v.outlying}
    well = {n for n, m in by_name.items() if m.state == "well"}
    return [
        f"findings nobody would defend: {len(wrong)}",
        *(f"  {line}" for line in wrong),
        (
            f"far from their peers: {len(far & odd)} of {len(odd)} worn or draughty banks, "
            f"{len(far & well)} of {len(well)} well ones: {sorted(far & well)}"
        ),
    ]


def measure(folder: Path, fleet_: Sequence[Member]) -> None:
    """Time the desk over the fleet, print the ranking against the truth, and what is new in the last week."""
    place = centre_of(folder)
    with Workers(workers=1) as on:
        start, cpu = time.perf_counter(), time.process_time()
        found = desk.gather(place, compute(place, on, keep=True), on)
        gathered = time.perf_counter() - start, time.process_time() - cpu
    week_ago = folder / "desk"
    desk.save_known(
        week_ago, (REPORT_DAY - dt.timedelta(days=7)).isoformat(), _week_ago(folder, found.states)
    )
    start, cpu = time.perf_counter(), time.process_time()
    desk.write_desk(found, week_ago, REPORT_DAY.isoformat(), own_reports=0)
    pages = time.perf_counter() - start, time.process_time() - cpu
    print(
        f"fleet report over {len(found.states)} banks of {DAYS} days at {PERIOD_S} s: gathering "
        f"{gathered[0]:.1f} s ({gathered[1]:.1f} s of a core), pages {pages[0]:.1f} s ({pages[1]:.1f})"
    )
    start = time.process_time()
    states = [desk.state_of(place, m.name, []) for m in fleet_ if m.base == int(m.name[4:])]
    print(f"from digests alone: {(time.process_time() - start) / len(states):.2f} s of a core a bank")
    task = tasks(place, open_source(place), [states[0].bank], version=-1)[0]
    start = time.process_time()
    run_task(task)
    took = (time.process_time() - start) / len(task.days)
    print(f"digest of a day at {PERIOD_S} s sampling: {1000 * took:.0f} ms of a core")
    print(*judged(fleet_, found.states), sep="\n")
    listed = visits(
        found.states, REPORT_DAY.isoformat(), desk.load_known(week_ago, REPORT_DAY.isoformat())[1]
    )
    new = [f"{v.bank}: {f.severity} {f.kind} {f.pack} {f.cell or ''}" for v in listed for f in v.new]
    print(f"new in the last week: {len(new)}", *new, sep="\n  ")


def _week_ago(folder: Path, states: Sequence[BankState]) -> list[BankState]:
    """Return the states as the pushes of a week before left them."""
    f = central.finding
    engine = address.connect(centre_of(folder))
    out = []
    with engine.connect() as conn:
        for state in states:
            bodies = conn.execute(
                select(f.c.body)
                .where(f.c.bank == state.bank, f.c.sent_ms < _ms(REPORT_DAY))
                .order_by(f.c.sent_ms)
            ).scalars()
            rows = tuple(finding_from(body) for body in bodies if body != "null")
            out.append(replace(state, findings=rows))
    engine.dispose()
    return out
