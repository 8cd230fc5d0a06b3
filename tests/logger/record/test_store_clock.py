from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import text

from adapters.base import Subject
from logger.record.store import Stamped, Store
from logger.record.store_clock import keep_boot, known_boot, newest_ms, settle_boot
from logger.recording.clock import Trust
from tests.logger.made import make_day, rows

A, HALL = Subject("A"), Subject("hall", "witness")


def test_a_boot_is_kept_and_updated(store: Store) -> None:
    with store.writing() as conn:
        assert known_boot(conn, "x") is None
        number = keep_boot(conn, "x", 12.4, Trust.NONE, 5)
        assert keep_boot(conn, "x", 99.0, Trust.NTP, 6) == number
        kept = known_boot(conn, "x")
    assert kept is not None
    assert (kept.number, kept.offset_ms, kept.trust) == (number, 99.0, Trust.NTP)


def test_only_this_boots_provisional_readings_move_and_an_event_says_so(store: Store) -> None:
    store.append(
        [Stamped(A, 1000, {"soc": 1}, 1), Stamped(A, 2000, {"soc": 2}, 2), Stamped(A, 3000, {"soc": 3})]
    )
    store.append([Stamped(HALL, 1000, {"dc_a": 4}, 1)])
    with store.writing() as conn:
        assert settle_boot(conn, 1, 500_000, "time known", 501_000) == 2
    got = rows(store, "SELECT time_ms, soc, provisional FROM reading ORDER BY time_ms")
    assert got == [(2000, 2, 2), (3000, 3, None), (501_000, 1, None)]
    assert rows(store, "SELECT time_ms, provisional FROM witness_reading") == [(501_000, None)]
    assert [e.detail for e in store.events(kind="clock_set")] == ["time known"]


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=40)
@given(
    st.sets(st.integers(1, 400), max_size=30),
    st.sets(st.integers(1, 400), max_size=30),
    st.integers(-300, 300),
)
def test_moving_loses_none_and_overwrites_none(
    store: Store, moving: set[int], fixed: set[int], shift: int
) -> None:
    with store.writing() as conn:
        conn.execute(text("DELETE FROM reading"))
    base = 1_000_000
    store.append([Stamped(A, base + t, {"soc": t}, 1) for t in moving - fixed])
    store.append([Stamped(A, base + t, {"soc": 1000 + t}) for t in fixed])
    with store.writing() as conn:
        settle_boot(conn, 1, shift, "time known", base)
    got = rows(store, "SELECT time_ms, soc FROM reading ORDER BY time_ms")
    assert {(t, v) for t, v in got if v >= 1000} == {(base + t, 1000 + t) for t in fixed}
    moved = [v for _, v in got if v < 1000]
    assert sorted(moved) == sorted(moving - fixed)
    assert all(t >= base + v + shift for t, v in got if v < 1000)


def test_the_newest_instant_hot_or_sealed(store: Store) -> None:
    with store.reading() as conn:
        assert newest_ms(conn) is None
    store.adopt("A", make_day("2026-02-07"), now_ms=1_900_000_000_000)
    with store.reading() as conn:
        assert newest_ms(conn) == make_day("2026-02-07").column("time_ms")[-1].as_py()
    store.append([Stamped(A, 1_900_000_000_001, {"soc": 1})])
    with store.reading() as conn:
        assert newest_ms(conn) == 1_900_000_000_001


def test_moved_readings_of_a_sealed_day_become_a_revision(store: Store) -> None:
    day = make_day("2026-02-07")
    store.adopt("A", day.slice(0, 1000), now_ms=1_900_000_000_000)
    time_ms = day.column("time_ms")[1100].as_py()
    store.append([Stamped(A, 40_000, {"pack_a": 5}, 1)])
    with store.writing() as conn:
        settle_boot(conn, 1, time_ms - 40_000, "time known", time_ms)
    (again,) = store.seal_due(1_900_000_000_000)
    assert (again.day, again.revision, again.row_count) == ("2026-02-07", 2, 1001)


@pytest.mark.parametrize("count", [1, 50])
def test_a_row_of_taken_instants_is_passed(store: Store, count: int) -> None:
    store.append([Stamped(A, 10_000 + i, {"soc": 1}) for i in range(count)])
    store.append([Stamped(A, 5, {"soc": 2}, 1)])
    with store.writing() as conn:
        settle_boot(conn, 1, 9_995, "time known", 10_000)
    assert rows(store, "SELECT time_ms FROM reading WHERE soc = 2") == [(10_000 + count,)]
