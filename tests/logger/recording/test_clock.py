from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.recording.clock import SLEW, Clock, ClockChange, Grid, KeptBoot, Trust
from tests.logger.made import FakeTime

T0 = 1_770_000_000.0


def settled(clock: Clock, checks: int = 5) -> list[ClockChange]:
    return [change for change in (clock.check() for _ in range(checks)) if change is not None]


def test_boot_in_1970_then_network_time(clocks: FakeTime) -> None:
    clocks.wall = 12.0
    clock = Clock(clocks)
    assert clock.provisional
    early = clock.stamp(clocks.mono)
    assert early == 12_000
    clocks.pass_s(300)
    clocks.wall, clocks.trusted = T0, Trust.NTP
    (change,) = settled(clock)
    assert change.kind == "clock_set"
    assert not clock.provisional
    assert clock.now_ms() == pytest.approx(T0 * 1000, abs=1)
    assert early + change.shift_ms == pytest.approx((T0 - 300) * 1000, abs=2)


def test_an_unknown_clock_goes_on_after_the_record(clocks: FakeTime) -> None:
    clocks.wall = 12.0
    clock = Clock(clocks, last_ms=1_700_000_000_000)
    assert clock.now_ms() == 1_700_000_001_000
    assert settled(clock) == []


def test_a_step_back_of_an_hour_never_turns_the_record_back(clocks: FakeTime) -> None:
    clocks.trusted = Trust.NTP
    clock = Clock(clocks)
    stamps = []
    changes = []
    for second in range(7200):
        clocks.pass_s(1)
        if second == 100:
            clocks.wall -= 3600
        change = clock.check()
        changes += [change] if change else []
        stamps.append(clock.now_ms())
    assert all(b > a for a, b in pairwise(stamps))
    assert [c.kind for c in changes] == ["clock_step"]
    assert "1.0 h behind" in changes[0].detail
    slowed = 7199 - (stamps[-1] - stamps[0]) / 1000
    assert slowed == pytest.approx(SLEW * 7098, abs=0.05)  # 0.05 % of the time since the step


def test_a_small_step_back_is_slewed_away(clocks: FakeTime) -> None:
    clocks.trusted = Trust.NTP
    clock = Clock(clocks)
    clocks.wall -= 2.0
    for _ in range(5000):
        clocks.pass_s(1)
        clock.check()
    assert abs(clock.difference_ms()) < 1  # 2 s at 0.05 % take 4000 s


def test_a_leap_over_a_day_is_followed_at_once(clocks: FakeTime) -> None:
    clocks.trusted = Trust.NTP
    clock = Clock(clocks)
    before = clock.now_ms()
    clocks.wall += 90_000
    (change,) = settled(clock)
    assert change.kind == "clock_step"
    assert change.shift_ms == pytest.approx(90_000_000, abs=2)
    assert clock.now_ms() - before == pytest.approx(90_000_000, abs=2)


def test_a_step_nobody_vouches_for_changes_nothing_and_is_told_once(clocks: FakeTime) -> None:
    clocks.trusted = Trust.NTP
    clock = Clock(clocks)
    offset = clock.offset_ms
    clocks.wall += 5000
    clocks.trusted = Trust.NONE  # settimeofday(2) marks the kernel's clock as not synchronised
    changes = settled(clock, 50)
    assert len(changes) == 1
    assert "keeps its own time" in changes[0].detail
    assert clock.offset_ms == offset


def test_another_process_of_the_same_boot_goes_on_with_its_offset(clocks: FakeTime) -> None:
    kept = KeptBoot(3, 5_000.0, Trust.NONE)
    clock = Clock(clocks, kept=kept, last_ms=10**15)
    assert clock.stamp(1.0) == 6_000
    assert clock.provisional


@pytest.mark.parametrize(("behind_s", "goes_on"), [(1800, True), (86_400, False)])
def test_a_known_clock_behind_the_record(clocks: FakeTime, behind_s: float, goes_on: bool) -> None:
    clocks.trusted = Trust.NTP
    last = round((clocks.wall + behind_s) * 1000)
    clock = Clock(clocks, last_ms=last)
    assert (clock.now_ms() > last) == goes_on
    (change,) = settled(clock)
    assert change.kind == "clock_step"


@given(
    st.lists(
        st.tuples(st.floats(0.5, 5), st.floats(-4000, 100_000), st.sampled_from(list(Trust))), max_size=60
    )
)
def test_whatever_the_system_clock_does_a_known_record_runs_forward(
    steps: list[tuple[float, float, Trust]],
) -> None:
    time = FakeTime(mono=50.0, wall=T0, trusted=Trust.NTP)
    clock = Clock(time)
    last = clock.now_ms()
    for seconds, step, trust in steps:
        time.mono += seconds
        time.wall += seconds + step
        time.trusted = trust
        clock.check()
        assert clock.now_ms() > last
        last = clock.now_ms()


@given(st.lists(st.integers(1, 5000), min_size=1, max_size=200), st.sampled_from([200, 1000, 10_000]))
def test_the_grid_loses_none_and_keeps_order(gaps: list[int], period: int) -> None:
    grid, now, placed = Grid(period), 1_000_000, []
    for gap in gaps:
        now += gap
        placed.append((now, grid.place(now)))
    assert all(b[1] > a[1] for a, b in pairwise(placed))
    assert len({p for _, p in placed}) == len(gaps)


@given(st.lists(st.integers(-50, 50), min_size=2, max_size=300), st.integers(0, 999))
def test_a_steady_source_lands_on_equal_steps(jitter: list[int], phase: int) -> None:
    grid = Grid(1000)
    placed = [grid.place(10_000_000 + phase + 1000 * i + j) for i, j in enumerate(jitter)]
    assert {b - a for a, b in pairwise(placed)} == {1000}
    assert placed[0] % 1000 == 0
