"""The guided test over a record. The discharge is made by hand: 56 A for 4.5 h are 252 Ah."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest

from adapters.base import Subject
from analysis.facts import PackFacts
from logger.captest import Follow, abandon, as_json, beginning, finish
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
