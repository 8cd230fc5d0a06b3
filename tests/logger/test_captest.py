"""The guided test over a record. The discharge is made by hand: 56 A for 4.5 h are 252 Ah."""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from rich.console import Console

from adapters.base import Subject
from analysis.facts import PackFacts
from analysis.packs.captest import CapState, advance
from logger.captest import Follow, Lines, abandon, as_json, beginning, finish, follow, readings
from logger.record.store import Store

START_S = 1_760_000_400  # a full minute
FACTS = PackFacts("A")


def course(*, put_back: bool = False) -> pa.Table:
    """Ten minutes at full, seventy of rest, four and a half hours at 56 A, the last cell empty at the end."""
    steps = [(600, 200, 3460), (4200, 0, 3380), (4.5 * 3600 - 120, -5600, 3200), (600, -5600, 2700)]
    if put_back:
        steps.insert(3, (3600, 2000, 3300))
    times, amps, cells = [], [], []
    at = START_S
    for seconds, amp, cell in steps:
        n = int(seconds // 10)
        times += [(at + 10 * i) * 1000 for i in range(n)]
        amps += [amp] * n
        cells += [cell] * n
        at += 10 * n
    columns = {"time_ms": pa.array(times, pa.int64()), "pack_a": pa.array(amps, pa.int32())}
    columns["pack_v"] = pa.array([16 * c // 10 for c in cells], pa.int32())
    for i in range(1, 17):
        columns[f"cell_{i:02d}_v"] = pa.array(np.array(cells) + (i % 3), pa.int32())
    columns["temp_1"] = pa.array([200] * len(times), pa.int32())
    return pa.table(columns)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "bank.db", write=True, timezone="UTC") as store:
        store.ensure_pack("A", FACTS)
        yield store


def test_a_test_that_counts(store: Store) -> None:
    store.adopt("A", course())
    test = Follow(store, FACTS, START_S)
    step = test.update(START_S + 86_400)
    assert step is not None
    assert step.state.phase == "done", step.say
    assert step.state.ah == pytest.approx(252, abs=2)
    assert step.capacity is not None
    assert step.capacity.low is not None
    assert step.capacity.low < step.state.ah < step.capacity.value * 1.1  # type: ignore[operator]  # it has a value
    finish(store, "A", step)
    assert [report["kind"] for report in store.reports()] == ["captest"]


def test_taken_up_again_it_comes_to_the_same(store: Store) -> None:
    store.adopt("A", course())
    whole = Follow(store, FACTS, START_S).update(START_S + 86_400)
    halves = Follow(store, FACTS, START_S)
    for hours in (1, 3, 30):
        step = halves.update(START_S + 3600 * hours)
    assert step == whole


def test_charging_in_between_spoils_it(store: Store) -> None:
    store.adopt("A", course(put_back=True))
    step = Follow(store, FACTS, START_S).update(START_S + 86_400)
    assert step is not None
    assert step.state.phase == "rejected"
    assert as_json(step)["capacity"] is None
    assert "put back" in step.say


def test_it_begins_once_and_can_be_abandoned(store: Store) -> None:
    assert beginning(store, "A", None, 1000.0) == 1000.0
    assert beginning(store, "A", None, 2000.0) == 1000.0
    assert abandon(store, "A")
    assert not abandon(store, "A")
    assert beginning(store, "A", None, 3000.0) == 3000.0


def test_without_readings_there_is_nothing_to_say(store: Store) -> None:
    assert store.days(Subject("A")) == []
    assert Follow(store, FACTS, START_S).update(START_S + 60) is None


class _Config:
    """Stands in for bank.toml: only the facts are asked for."""

    @staticmethod
    def pack_facts(_: str) -> PackFacts:
        return FACTS


def test_without_a_terminal_it_says_what_it_does(store: Store) -> None:
    store.adopt("A", course())
    out = io.StringIO()
    step = follow(store, _Config(), "A", START_S, console=Console(file=out))  # type: ignore[arg-type] # as it says
    assert step.state.phase == "done"
    first, second, third = out.getvalue().splitlines()
    assert first.startswith("Capacity test of pack A: looking at the record every 5 s")
    assert "the same command takes it up again" in first
    assert "done: Done and accepted: 250" in second
    assert third.startswith("capacity ")


def test_lines_at_each_phase_and_seldom_between(store: Store) -> None:
    out = io.StringIO()
    lines = Lines(Console(file=out), "A", store.zone, 5.0)
    lines.tell(None, 0.0, START_S - 60)
    state = CapState()
    for reading, _ in readings(course(), FACTS, 0):
        step = advance(state, reading, FACTS)
        state = step.state
        lines.tell(step, 5.0, reading.time_s)
    text = out.getvalue().splitlines()[1:]
    phases = [line.split()[1] for line in text if line[:1].isdigit()]
    assert phases[:2] == ["waiting", "charge:"]
    assert "done:" in phases
    assert phases.count("settle:") == 8  # 70 minutes of rest: at once, then every ten
    assert len(text) < 45


def test_a_logger_that_stopped_is_told(store: Store) -> None:
    store.adopt("A", course().slice(0, 100))
    out = io.StringIO()
    lines = Lines(Console(file=out), "A", store.zone, 5.0)
    test = Follow(store, FACTS, START_S)
    for minute in (16, 17, 22):
        now_s = START_S + 60.0 * minute
        lines.tell(test.update(now_s), test.silent_s(now_s), now_s)
    told = [line for line in out.getvalue().splitlines() if "no reading for" in line]
    assert len(told) == 1
    assert "is `bankbook log` running?" in told[0]
