from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Connection, text

from adapters.base import Subject
from adapters.errors import StoreDamaged, StoreError, StoreLocked
from analysis.facts import PackFacts, WarrantyTerms
from analysis.finding import Finding, Forecast
from logger.record import store_read
from logger.record.days import day_bounds_ms
from logger.record.store import Stamped, Store
from tests.logger.made import VIENNA, make_day, rows

A, B, HALL = Subject("A"), Subject("B"), Subject("hall", "witness")
NOON = day_bounds_ms("2026-02-08", ZoneInfo(VIENNA))[0] + 43_200_000


def test_hot_rows_can_be_asked_with_plain_sql(store: Store) -> None:
    store.append([Stamped(A, 1000, {"pack_a": -125, "cell_02_v": 3345}), Stamped(B, 1000, {"pack_a": 7})])
    store.append([Stamped(HALL, 2000, {"dc_a": 3})])
    query = (
        "SELECT name, time_ms, pack_a, cell_02_v FROM reading JOIN pack ON pack.id = pack_id ORDER BY name"
    )
    assert rows(store, query) == [("A", 1000, -125, 3345), ("B", 1000, 7, None)]
    assert rows(
        store, "SELECT s.name, w.dc_a FROM witness_reading w JOIN source s ON s.id = w.source_id"
    ) == [("hall", 3)]


def test_a_taken_instant_moves_on_and_nothing_is_overwritten(store: Store) -> None:
    store.append([Stamped(A, 1000, {"pack_a": 1})])
    store.append([Stamped(A, 1000, {"pack_a": 2}), Stamped(A, 1001, {"pack_a": 3})])
    assert rows(store, "SELECT time_ms, pack_a FROM reading ORDER BY time_ms") == [
        (1000, 1),
        (1001, 2),
        (1002, 3),
    ]


def test_latest_is_the_newest_hot_reading(store: Store) -> None:
    assert store.latest(A) is None
    store.append([Stamped(A, 2000, {"soc": 9}), Stamped(A, 1000, {"soc": 5}), Stamped(B, 3000, {"soc": 1})])
    assert store.latest(A) == Stamped(A, 2000, {"soc": 9})


def test_past_days_are_sealed_and_today_stays_hot(store: Store) -> None:
    both = pa.concat_tables(
        [make_day("2026-02-06"), make_day("2026-02-07"), make_day("2026-02-08").slice(0, 700)]
    )
    done = store.adopt("A", both, now_ms=NOON)
    assert (done.sealed, done.revised, done.unchanged, done.hot_rows, done.rows) == (
        2,
        0,
        0,
        700,
        2 * 1440 + 700,
    )
    assert [s.day for s in store.sealed_days("A")] == ["2026-02-06", "2026-02-07"]
    assert store.days(A) == ["2026-02-06", "2026-02-07", "2026-02-08"]
    assert rows(store, "SELECT count(*) FROM reading") == [(700,)]


def test_the_same_data_twice_changes_nothing(store: Store) -> None:
    day = make_day("2026-02-07")
    store.adopt("A", day, now_ms=NOON)
    before = rows(store, "SELECT seq, chain FROM sealed_day")
    again = store.adopt("A", day.slice(100, 300), now_ms=NOON)
    assert (again.unchanged, again.revised) == (1, 0)
    assert rows(store, "SELECT seq, chain FROM sealed_day") == before
    today = make_day("2026-02-08").slice(0, 10)
    store.adopt("A", today, now_ms=NOON)
    store.adopt("A", today, now_ms=NOON)
    assert rows(store, "SELECT count(*) FROM reading") == [(10,)]


def test_other_readings_for_a_sealed_day_become_a_revision(store: Store) -> None:
    store.adopt("A", make_day("2026-02-07").slice(0, 700), now_ms=NOON)
    done = store.adopt("A", make_day("2026-02-07").slice(600), now_ms=NOON)
    assert (done.sealed, done.revised) == (0, 1)
    (newest,) = store.sealed_days("A")
    assert (newest.revision, newest.supersedes, newest.row_count) == (2, 1, 1440)
    assert store.table(A, "2026-02-07").equals(store.table(A, "2026-02-07"))
    result = store.verify()
    assert result.ok
    assert result.superseded == (("A", "2026-02-07", 1),)


def test_a_day_that_comes_in_parts_is_sealed_once(store: Store) -> None:
    days = pa.concat_tables([make_day("2026-02-06"), make_day("2026-02-07")])
    with store.adopting(now_ms=NOON, workers=0) as adopter:
        for start in range(0, 2880, 500):
            adopter.put(A, days.slice(start, 500))
    assert (adopter.outcome.sealed, adopter.outcome.revised) == (2, 0)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=15)
@given(st.lists(st.tuples(st.integers(0, 1439), st.integers(1, 600)), min_size=1, max_size=4))
def test_any_order_and_overlap_of_parts_gives_the_same_day(
    tmp_path_factory: pytest.TempPathFactory, parts: list[tuple[int, int]]
) -> None:
    day = make_day("2026-02-07")
    with Store.open(tmp_path_factory.mktemp("s") / "bank.db", write=True, timezone="Europe/Vienna") as store:
        for start, length in parts:
            store.adopt("A", day.slice(start, length), now_ms=NOON)
        wanted = sorted({i for start, length in parts for i in range(start, min(start + length, 1440))})
        assert store.table(A, "2026-02-07").equals(
            day.take(wanted).combine_chunks().select(store.table(A, "2026-02-07").column_names)
        )


def test_sealing_moves_hot_rows_into_a_blob(store: Store) -> None:
    store.adopt("A", make_day("2026-02-07"), now_ms=NOON - 86_400_000)
    assert rows(store, "SELECT count(*) FROM reading") == [(1440,)]
    before = store.table(A, "2026-02-07")
    (sealed,) = store.seal_due(NOON)
    assert (sealed.name, sealed.day, sealed.row_count, sealed.revision) == ("A", "2026-02-07", 1440, 1)
    assert rows(store, "SELECT count(*) FROM reading") == [(0,)]
    assert store.table(A, "2026-02-07").equals(before)
    assert store.seal_due(NOON) == []


def test_a_day_is_not_sealed_before_it_is_over(store: Store) -> None:
    store.adopt("A", make_day("2026-02-08"), now_ms=NOON)
    end = day_bounds_ms("2026-02-08", store.zone)[1]
    assert store.seal_due(end + 30_000) == []
    assert len(store.seal_due(end + 61_000)) == 1


def test_weeks_switched_off_are_sealed_day_by_day(store: Store) -> None:
    for day in ("2026-01-05", "2026-01-06", "2026-01-07"):
        store.adopt("A", make_day(day), now_ms=day_bounds_ms("2026-01-05", store.zone)[0])
    assert [s.day for s in store.seal_due(NOON)] == ["2026-01-05", "2026-01-06", "2026-01-07"]
    assert store.verify().ok


@pytest.mark.parametrize(("day", "hours"), [("2026-03-29", 23), ("2026-10-25", 25), ("2026-02-07", 24)])
def test_days_of_every_length_seal_whole(store: Store, day: str, hours: int) -> None:
    store.adopt("A", make_day(day), now_ms=0)
    (sealed,) = store.seal_due(day_bounds_ms(day, store.zone)[1] + 3_600_000)
    assert sealed.row_count == hours * 60


def test_late_hot_rows_of_a_sealed_day_become_a_revision(store: Store) -> None:
    day = make_day("2026-02-07")
    store.adopt("A", day.slice(0, 1000), now_ms=NOON)
    store.append([Stamped(A, day.column("time_ms")[1200].as_py(), {"pack_a": 5})])
    assert store.table(A, "2026-02-07").num_rows == 1001  # both are seen before it is sealed again
    (again,) = store.seal_due(NOON)
    assert (again.revision, again.supersedes, again.row_count) == (2, 1, 1001)


def test_days_of_an_unknown_clock_wait(store: Store) -> None:
    start, end = day_bounds_ms("2026-02-07", store.zone)
    store.append([Stamped(A, start + 1000 * i, {"pack_a": i}, provisional=1) for i in range(5)])
    assert store.seal_due(end + 3_600_000) == []
    assert len(store.seal_due(end + 15 * 86_400_000)) == 1


def test_a_frame_has_units_lead_and_gaps(store: Store) -> None:
    store.adopt("A", make_day("2026-02-06", seed=1), now_ms=NOON)
    store.adopt("A", make_day("2026-02-07", seed=2), now_ms=NOON)
    frame = store.frame("A", "2026-02-07")
    table = store.table(A, "2026-02-07")
    assert frame.lead == 30  # half an hour of minutes
    assert frame.time_s[frame.lead] == frame.start_s
    assert frame.cells_v.shape == (4, 1470)
    assert frame.temps_c.shape == (2, 1470)
    want = table.column("cell_03_v").to_numpy() * 0.001
    np.testing.assert_allclose(frame.cells_v[2, frame.lead :], want, rtol=1e-6)
    np.testing.assert_allclose(
        frame.pack_a[frame.lead :], table.column("pack_a").to_numpy() * 0.01, rtol=1e-5, atol=1e-6
    )
    assert set(frame.extra) == {"soc", "warnings"}


def test_a_hot_frame_is_the_sealed_frame(store: Store) -> None:
    store.adopt("A", make_day("2026-02-06"), now_ms=NOON - 2 * 86_400_000)
    store.adopt("A", make_day("2026-02-07"), now_ms=NOON - 2 * 86_400_000)
    hot = store.frame("A", "2026-02-07")
    hot_digests = store.digests("A")
    store.seal_due(NOON)
    sealed = store.frame("A", "2026-02-07")
    for name in ("time_s", "pack_v", "pack_a", "cells_v", "temps_c"):
        np.testing.assert_array_equal(getattr(hot, name), getattr(sealed, name))
    assert store.digests("A") == hot_digests


def test_a_day_without_readings_is_an_empty_frame(store: Store) -> None:
    frame = store.frame("A", "2026-02-07")
    assert (len(frame.time_s), frame.n_cells, frame.lead) == (0, 0, 0)


def test_missing_values_are_nan(store: Store) -> None:
    start = day_bounds_ms("2026-02-07", store.zone)[0]
    store.append(
        [Stamped(A, start, {"pack_a": 1, "cell_01_v": 3300}), Stamped(A, start + 1000, {"cell_01_v": 3301})]
    )
    frame = store.frame("A", "2026-02-07")
    assert np.isnan(frame.pack_a[1])
    assert np.isnan(frame.pack_v).all()


def test_a_pool_of_workers_gives_the_same_record(tmp_path: Path) -> None:
    chains: list[object] = []
    for workers in (0, 2):
        with Store.open(tmp_path / f"{workers}.db", write=True, timezone="Europe/Vienna") as store:
            with store.adopting(now_ms=NOON, workers=workers) as adopter:
                for day in ("2026-02-04", "2026-02-05", "2026-02-06"):
                    adopter.put(
                        HALL,
                        pa.table(
                            {
                                "time_ms": make_day(day).column("time_ms"),
                                "dc_a": make_day(day).column("pack_a"),
                            }
                        ),
                    )
                    adopter.put(A, make_day(day, seed=3))
            chains.append([(s.chain, s.name) for s in store.sealed_days()])
            chains.append(store.digests("A"))
            assert rows(store, "SELECT count(*) FROM digest") == [(3,)]
    assert chains[0] == chains[2]
    assert chains[1] == chains[3]


def test_digests_follow_code_facts_and_data(store: Store) -> None:
    store.adopt("A", make_day("2026-02-06"), now_ms=NOON)
    store.adopt("A", make_day("2026-02-07"), now_ms=NOON)
    first = store.digests("A")
    assert [d.day for d in first] == ["2026-02-06", "2026-02-07"]
    with store.writing() as conn:
        conn.execute(text("UPDATE digest SET version = 1, core = x'789c' WHERE day = '2026-02-06'"))
    assert store.digests("A") == first  # made again
    assert rows(store, "SELECT count(*) FROM digest") == [(2,)]
    made = rows(store, "SELECT facts FROM digest")
    store.ensure_pack("A", PackFacts("A", n_cells=4, rated_ah=100.0))
    store.digests("A")
    assert rows(store, "SELECT facts FROM digest") != made
    assert store.digests("A", "2026-02-07")[0].day == "2026-02-07"
    assert store.digests("nobody") == []


def test_a_second_logger_is_told_who_has_it(record: Path) -> None:
    with Store.open(record, logging=True) as first:
        with pytest.raises(StoreLocked, match=r"another logger \(process \d+\)"):
            Store.open(record, logging=True)
        with Store.open(record, write=True) as other:  # an import may write meanwhile
            other.append([Stamped(A, 1, {"soc": 1})])
        first.append([Stamped(A, 2, {"soc": 1})])
    Store.open(record, logging=True).close()


def test_no_record_to_read_says_how_to_get_one(record: Path) -> None:
    with pytest.raises(StoreError, match="bankbook import"):
        Store.open(record)
    assert not record.exists()


@pytest.mark.parametrize(
    ("place", "says"), [("folder", "is a folder"), ("missing/bank.db", "make that folder first")]
)
def test_a_place_that_cannot_be_says_so(tmp_path: Path, place: str, says: str) -> None:
    (tmp_path / "folder").mkdir()
    with pytest.raises(StoreError, match=says):
        Store.open(tmp_path / place, write=True)


@pytest.mark.usefixtures("store")
def test_a_reader_changes_nothing(record: Path) -> None:
    with Store.open(record) as reader:
        with pytest.raises(StoreError, match="reading only"):
            reader.append([Stamped(A, 1, {"soc": 1})])
        assert reader.zone.key == "Europe/Vienna"


def test_a_file_of_something_else_is_damaged(record: Path) -> None:
    record.write_bytes(b"this is no record " * 1000)
    with pytest.raises(StoreDamaged, match="salvage"):
        Store.open(record, write=True)


def test_facts_come_back_whole(store: Store) -> None:
    facts = PackFacts("A", n_cells=8, rated_ah=100, heater_w=80.0, warranty=WarrantyTerms(years=10))
    store.ensure_pack("A", facts)
    assert store.facts("A") == facts
    assert store.facts("unknown") == PackFacts("unknown")


def test_events_fold_and_end(store: Store) -> None:
    first = store.event("outage", "no answer", subject="a", start_ms=1000)
    store.end_event(first, 5000)
    again = store.event("outage", "no answer", subject="a", start_ms=6000)
    other = store.event("outage", "port gone", subject="a", start_ms=7000, end_ms=8000)
    assert again == first != other
    folded, single = store.events()
    assert (folded.start_ms, folded.end_ms, folded.count) == (1000, None, 2)
    assert (single.detail, single.count) == ("port gone", 1)
    assert store.events(kind="clock_set") == []
    assert [e.id for e in store.events(first_ms=100_000)] == [first]


def test_findings_are_kept_with_their_history(store: Store) -> None:
    leak = Finding(
        "self_discharge",
        "B",
        11,
        "2026-01-03",
        "watch",
        0.9,
        12.0,
        10.0,
        14.0,
        "mA",
        "m",
        "c",
        Forecast("trip"),
        ("e",),
    )
    store.save_findings([leak], 1000)
    store.save_findings([replace(leak, value=13.0)], 2000)
    assert store.findings() == [replace(leak, value=13.0)]
    assert rows(store, "SELECT first_seen_ms, last_seen_ms, gone_ms FROM finding") == [(1000, 2000, None)]
    store.save_findings([], 3000)
    assert store.findings() == []
    assert store.findings(standing=False) == [replace(leak, value=13.0)]


def test_reports_are_kept(store: Store) -> None:
    store.save_report("week", "2026-02-02", "2026-02-08", "{}", 5)
    (kept,) = store.reports("week")
    assert (kept["last_day"], kept["numbers"]) == ("2026-02-08", "{}")
    assert store.reports("claim") == []


def test_readings_left_in_1970_do_not_slow_the_search_for_due_days(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    store.append([Stamped(A, 40_000, {"soc": 1}), Stamped(A, NOON, {"soc": 2})])
    asked: list[int] = []
    real = store_read.next_hot

    def counted(conn: Connection, kind: str, number: int, from_ms: int) -> int | None:
        asked.append(1)
        return real(conn, kind, number, from_ms)

    monkeypatch.setattr(store_read, "next_hot", counted)
    assert store.days(A) == ["1970-01-01", "2026-02-08"]
    assert len(asked) == 3  # not one for each day of half a century
