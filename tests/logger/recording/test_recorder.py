from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, TypeAlias

import pytest

from adapters.base import Reading, Subject
from adapters.errors import SourceLost, SourceTimeout
from logger.record.salvage import salvage
from logger.record.store import Stamped, Store
from logger.record.store_engine import PAGE_BYTES
from logger.recording.clock import Trust
from logger.recording.clock_system import SystemTime
from logger.recording.recorder import Feed, Recorder, Tally
from logger.recording.recorder_source import Feed as SourceFeed
from tests.logger.made import FakeTime, make_day, rows

A, B = Subject("A"), Subject("B")


Answer: TypeAlias = Reading | dict[str, int] | BaseException


class Wire:
    """A source that a test scripts: `answer` is called for every read with its number."""

    place = "scripted"
    complaint: str | None = None

    def __init__(self, subject: Subject, answer: Callable[[int], Answer] | None = None) -> None:
        self.subjects = (subject,)
        self.reads = self.opened = 0
        self._answer: Callable[[int], Answer] = answer or (lambda number: {"pack_a": number, "pack_v": 5300})

    async def open(self) -> None:
        self.opened += 1

    async def read(self) -> Reading:
        self.reads += 1
        await asyncio.sleep(0)
        values = self._answer(self.reads)
        if isinstance(values, BaseException):
            raise values
        if isinstance(values, Reading):
            return values
        return Reading(self.subjects[0], time.monotonic(), values)

    async def close(self) -> None:
        return None


class Ear:
    """A listener that keeps what it hears."""

    def __init__(self) -> None:
        self.readings: list[Stamped] = []
        self.sources: list[tuple[str, bool]] = []

    def reading(self, stamped: Stamped) -> None:
        self.readings.append(stamped)

    def source(self, name: str, up: bool, text: str, time_ms: int) -> None:
        assert text
        assert time_ms
        self.sources.append((name, up))


@pytest.fixture
def logging_store(record: Path) -> Iterator[Store]:
    with Store.open(record, logging=True, timezone="Europe/Vienna") as opened:
        yield opened


def run(recorder: Recorder, until: Callable[[], bool], seconds: float = 10.0) -> Tally:
    """Run a recorder until something holds."""

    async def main() -> Tally:
        task = asyncio.create_task(recorder.run())
        end = time.monotonic() + seconds
        while not until() and time.monotonic() < end and not task.done():  # noqa: ASYNC110 - no event tells of it
            await asyncio.sleep(0.01)
        recorder.stop()
        return await task

    return asyncio.run(main())


def recorder(feeds: list[Feed], store: Store, **more: Any) -> Recorder:
    given: dict[str, Any] = {"commit_s": 0.1, "seal": False, "time_source": SystemTime(user_trusts=True)}
    return Recorder(feeds, store, **(given | more))


def test_everything_taken_is_stored(logging_store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("logger.recording.recorder.CHECK_S", 0.1)
    a, b, ear = Wire(A), Wire(B), Ear()
    beats: list[int] = []
    r = recorder(
        [Feed("a", a, 0.02), Feed("b", b, 0.02)],
        logging_store,
        listeners=[ear],
        heartbeat=lambda: beats.append(1),
    )
    tally = run(r, lambda: a.reads > 60 and b.reads > 60)
    assert tally.offered == tally.stored == len(ear.readings) >= 120
    assert (tally.lost, tally.waiting) == (0, 0)
    stored = rows(
        logging_store, "SELECT p.name, r.time_ms, r.pack_a FROM reading r JOIN pack p ON p.id = r.pack_id"
    )
    assert sorted(stored) == sorted((s.subject.name, s.time_ms, s.values["pack_a"]) for s in ear.readings)
    for name in ("A", "B"):
        values = [value for pack, _, value in sorted(stored) if pack == name]
        assert values == sorted(values)  # never reordered
    assert beats
    (session,) = logging_store.events(kind="logging")
    assert session.end_ms is not None


def test_a_failing_source_never_stops_the_others(
    logging_store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.recording.recorder_source.FIRST_WAIT_S", 0.02)
    monkeypatch.setattr("logger.recording.recorder_source.LONGEST_WAIT_S", 0.05)
    script: dict[str, Callable[[int], Answer]] = {
        "lost": lambda n: SourceLost("the port is gone") if 5 < n < 10 else {"pack_a": n},
        "mute": lambda n: SourceTimeout("no answer") if 5 < n < 15 else {"pack_a": n},
        "bug": lambda n: ZeroDivisionError("a bug") if n == 6 else {"pack_a": n},
        "good": lambda n: {"pack_a": n},
    }
    wires = {name: Wire(Subject(name), answer) for name, answer in script.items()}
    ear = Ear()
    r = recorder([Feed(n, w, 0.02) for n, w in wires.items()], logging_store, listeners=[ear])
    run(r, lambda: all(w.reads > 25 for w in wires.values()))
    events = {e.subject: e for e in logging_store.events(kind="outage")}
    assert set(events) == {"lost", "mute", "bug"}
    assert events["lost"].detail == "the port is gone"
    assert all(e.end_ms is not None and e.end_ms >= e.start_ms for e in events.values())
    for name in events:
        assert [up for n, up in ear.sources if n == name] == [True, False, True]
    assert wires["good"].opened == 1
    assert wires["lost"].opened > 1


def test_an_impossible_value_is_told_once_and_the_rest_stored(logging_store: Store) -> None:
    wire = Wire(
        A, lambda n: Reading(A, time.monotonic(), {"pack_a": n}, {"temp_1": "850.0 °C is out of range"})
    )
    run(recorder([Feed("a", wire, 0.02)], logging_store), lambda: wire.reads > 10)
    (event,) = logging_store.events(kind="dropped")
    assert event.detail == "temp_1: 850.0 °C is out of range"
    assert rows(logging_store, "SELECT count(*) > 5, count(temp_1) FROM reading") == [(1, 0)]


def test_a_complaint_of_the_adapter_becomes_an_event(logging_store: Store) -> None:
    wire = Wire(A)
    wire.complaint = "period_s = 1 cannot be kept"
    run(recorder([Feed("a", wire, 0.02)], logging_store), lambda: wire.reads > 10)
    assert [e.detail for e in logging_store.events(kind="source")] == ["period_s = 1 cannot be kept"]


def test_a_finite_source_ends_the_run(logging_store: Store) -> None:
    def answer(number: int) -> Answer:
        if number > 5:
            return StopAsyncIteration()
        return Reading(A, 0.0, {"pack_a": number}, time_ms=1_771_000_000_000 + number)

    tally = run(recorder([SourceFeed("file", Wire(A, answer), 0)], logging_store), lambda: False, 5)
    assert tally.stored == 5
    assert rows(logging_store, "SELECT min(time_ms) FROM reading") == [(1_771_000_000_001,)]


def test_boot_in_1970_then_network_time(logging_store: Store) -> None:
    class Moving(FakeTime):
        def monotonic_s(self) -> float:
            return time.monotonic()

        def wall_s(self) -> float:
            return self.wall + time.monotonic() - self.mono

    source = Moving(mono=time.monotonic(), wall=40.0)
    wire = Wire(A)
    r = recorder([Feed("a", wire, 0.02)], logging_store, time_source=source)
    known: list[float] = []

    def until() -> bool:
        if wire.reads > 30 and not known:
            assert r.clock.provisional
            source.wall, source.trusted = 1_771_000_000.0, Trust.NTP
            known.append(wire.reads)
        return bool(known) and not r.clock.provisional and wire.reads > known[0] + 80

    tally = run(r, until)
    stored = rows(logging_store, "SELECT time_ms, pack_a, provisional FROM reading ORDER BY time_ms")
    assert len(stored) == tally.offered
    assert [value for _, value, _ in stored] == sorted(value for _, value, _ in stored)
    assert {p for _, _, p in stored} == {None}
    assert abs(stored[0][0] / 1000 - 1_771_000_000) < 15  # none is left in 1970
    assert len(logging_store.events(kind="clock_set")) == 1


def test_what_a_killed_logger_left_open_is_ended(logging_store: Store) -> None:
    logging_store.event("outage", "no answer", subject="a", start_ms=5_000)
    logging_store.event("logging", "the logger ran", start_ms=4_000)
    logging_store.append([Stamped(A, 9_000, {"soc": 1})])
    wire = Wire(A)
    run(recorder([Feed("a", wire, 0.02)], logging_store), lambda: wire.reads > 3)
    old = {e.kind: e for e in logging_store.events(last_ms=10_000)}
    assert old["outage"].end_ms == 9_000
    assert old["logging"].end_ms == 9_000
    assert "not stopped cleanly" in old["logging"].detail


def test_due_days_are_sealed_beside_it(logging_store: Store) -> None:
    logging_store.adopt("A", make_day("2026-02-07"), now_ms=0)
    wire = Wire(B)
    r = recorder([Feed("b", wire, 0.02)], logging_store, seal=True)
    run(r, lambda: bool(logging_store.sealed_days("A")), 20)
    assert [s.day for s in logging_store.sealed_days("A")] == ["2026-02-07"]
    assert logging_store.verify().ok


def test_a_record_found_corrupt_when_sealing_is_replaced(logging_store: Store, record: Path) -> None:
    for day in ("2026-02-05", "2026-02-06"):
        logging_store.adopt("A", make_day(day), now_ms=1_900_000_000_000)
    logging_store.adopt("A", make_day("2026-02-07"), now_ms=0)
    root = rows(logging_store, "SELECT rootpage FROM sqlite_master WHERE name = 'sealed_day'")[0][0]
    with logging_store.reading() as conn:
        conn.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    with record.open("r+b") as file:  # the tree of sealed days, unseen by the recorder's own commits
        file.seek((root - 1) * PAGE_BYTES)
        file.write(b"\xff" * 64)
    wire = Wire(B)
    r = recorder([Feed("b", wire, 0.02)], logging_store, seal=True)
    run(r, lambda: bool(list(record.parent.glob("*.damaged-*"))) and wire.reads > 10, 20)
    assert [e.kind for e in r.store.events(kind="damage")] == ["damage"]
    (aside,) = [
        p for p in record.parent.glob("*.damaged-*") if p.suffix != ".db-wal" and "-wal" not in p.name
    ]
    assert salvage(aside, r.store).hot_readings >= 1440
    r.store.close()
