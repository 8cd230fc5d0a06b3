from copy import deepcopy
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from analysis.daily.hygiene import clean, forward_times, gap_limit, typical_period
from analysis.day import CleanDay
from analysis.facts import PackFacts
from analysis.frame import F32, F64, Frame
from tests.analysis import made

FACTS = PackFacts("A")


def frame_of(
    time_s: F64,
    current: F64 | F32,
    cells: F64 | F32 | None = None,
    pack_v: F64 | F32 | None = None,
    *,
    soc: F64 | None = None,
) -> Frame:
    n = time_s.size
    cells = np.full((16, n), 3.3) if cells is None else cells
    return Frame(
        "A", "2025-01-01", 0.0, 86400.0, 0, time_s,
        np.full(n, 52.8, np.float32) if pack_v is None else np.asarray(pack_v, dtype=np.float32),
        np.asarray(current, dtype=np.float32),
        np.asarray(cells, dtype=np.float32),
        np.full((4, n), 12.0, np.float32),
        {} if soc is None else {"soc": soc},
    )  # fmt: skip


def dropped(day: CleanDay) -> dict[str, int]:
    return dict(day.coverage.dropped)


@pytest.fixture
def good() -> Frame:
    """A clean day at 10 s with noise in every digit."""
    return made.Pack().frame(0, made.day_current(made.Pack()))


def test_a_good_day_loses_nothing(good: Frame) -> None:
    day = clean(good, FACTS)
    assert day.coverage.dropped == ()
    assert day.coverage.fraction == pytest.approx(1.0, abs=2e-4)
    assert day.coverage.gaps == ()


def test_a_quiet_rest_without_noise_is_no_standstill() -> None:
    # a pack at rest repeats every digit for hours; nothing of it may be dropped
    day = clean(frame_of(np.arange(0, 86400.0, 10), np.zeros(8640)), FACTS)
    assert day.coverage.dropped == ()
    assert day.coverage.covered_s == pytest.approx(86390)


def test_a_small_steady_load_without_noise_is_none_either() -> None:
    day = clean(frame_of(np.arange(0, 3600.0, 1), np.full(3600, -2.0)), FACTS)  # 2 Ah: less than 1 %
    assert dropped(day) == {}


def test_current_that_flows_for_an_hour_moves_some_digit() -> None:
    # 50 A for an hour are 18 % of 280 Ah; cells that do not move a millivolt in it are old
    day = clean(frame_of(np.arange(0, 3600.0, 1), np.full(3600, 50.0)), FACTS)
    assert dropped(day) == {"stuck": 3599}
    assert day.ah_in[-1] == 0


def test_frames_that_stand_still_among_noise_are_dropped(good: Frame) -> None:
    a, b = 4000, 4100
    stuck = deepcopy(good)
    for values in (stuck.pack_v, stuck.pack_a, stuck.cells_v, stuck.temps_c):
        values[..., a + 1 : b] = values[..., a : a + 1]
    day = clean(stuck, FACTS)
    assert dropped(day) == {"stuck": b - a - 1}
    assert day.coverage.longest_gap_s == pytest.approx(1000)


def test_cells_that_repeat_while_the_current_moves_are_dropped(good: Frame) -> None:
    old = replace(good, cells_v=good.cells_v.copy())
    morning = slice(2501, 2600)  # the charge begins within
    old.cells_v[:, morning] = old.cells_v[:, 2500:2501]
    day = clean(old, FACTS)
    assert dropped(day) == {"stuck cells": 99}
    assert np.isfinite(day.frame.pack_a).all()
    assert day.coverage.gaps == ()


def test_a_soc_that_jumps_ends_a_standstill() -> None:
    n = 600
    soc = np.concatenate((np.full(300, 0.8), np.full(300, 0.7)))
    current = np.concatenate((np.zeros(300), np.random.default_rng(1).normal(-20, 1, 300)))
    day = clean(frame_of(np.arange(n, dtype=float) * 10.0, current, soc=soc), FACTS)
    assert dropped(day) == {"stuck": 299}


@pytest.mark.parametrize("value", [327.67, -327.68, 655.35, 0.0])
def test_a_current_register_misread_once_is_dropped(good: Frame, value: float) -> None:
    i = 3000  # in the middle of the charge at 56 A
    bad = replace(good, pack_a=good.pack_a.copy())
    bad.pack_a[i] = value
    day = clean(bad, FACTS)
    assert dropped(day) == {"current spike": 1}
    assert day.ah_in[-1] == pytest.approx(clean(good, FACTS).ah_in[-1], abs=0.01)


def test_a_real_pulse_that_the_cells_follow_is_kept(good: Frame) -> None:
    i = 3000
    real = replace(good, pack_a=good.pack_a.copy(), pack_v=good.pack_v.copy(), cells_v=good.cells_v.copy())
    real.pack_a[i] -= 120
    real.pack_v[i] -= 120 * 16 * 0.3e-3
    real.cells_v[:, i] -= 120 * 0.3e-3
    assert dropped(clean(real, FACTS)) == {}


def test_one_cell_misread_once_is_dropped_but_not_its_pulse_over_a_loose_link(good: Frame) -> None:
    bad = replace(good, cells_v=good.cells_v.copy(), pack_a=good.pack_a.copy(), pack_v=good.pack_v.copy())
    bad.cells_v[6, 3000] += 0.256
    bad.pack_a[5000:5001] += 100  # a pulse, and a loose link of 2 mΩ at cell 3
    bad.pack_v[5000] += 100 * (16 * 0.3e-3 + 2e-3)
    bad.cells_v[:, 5000] += 100 * 0.3e-3
    bad.cells_v[2, 5000] += 100 * 2e-3
    day = clean(bad, FACTS)
    assert dropped(day) == {"cell spike": 1}
    assert np.isnan(day.frame.cells_v[6, 3000])
    assert np.isfinite(day.frame.cells_v[2, 5000])


def test_pack_voltage_and_temperature_misread_once_are_dropped(good: Frame) -> None:
    bad = replace(good, pack_v=good.pack_v.copy(), temps_c=good.temps_c.copy())
    bad.pack_v[[1000, 2000]] = [0.0, 55.55]
    bad.temps_c[1, 500] = 0.0
    assert dropped(clean(bad, FACTS)) == {"impossible voltage": 1, "voltage spike": 1, "temperature spike": 1}


def test_impossible_cells_and_currents_are_dropped(good: Frame) -> None:
    bad = replace(good, pack_a=good.pack_a.copy(), cells_v=good.cells_v.copy())
    bad.pack_a[100:103] = 1400.0
    bad.cells_v[0, 200:300] = 0.7
    assert dropped(clean(bad, FACTS)) == {"impossible cell": 100, "impossible current": 3}


def test_clock_that_steps_back_loses_only_what_it_repeats() -> None:
    keep, same, back = forward_times(np.array([1.0, 2, 3, 2, 3, 4, 4, 5, np.nan]))
    assert keep.tolist() == [True, True, True, False, False, True, False, True, False]
    assert (same, back) == (2, 2)


def test_the_gap_follows_the_sampling() -> None:
    assert gap_limit(1.0) == 30.0
    assert gap_limit(60.0) == 300.0
    assert typical_period(np.array([0.0, 60, 120, 180, 1000])) == 60.0
    assert typical_period(np.array([5.0])) == 0.0


@pytest.mark.parametrize("n", [0, 1, 2, 3, 5])
def test_days_of_few_samples(n: int) -> None:
    day = clean(frame_of(np.arange(n, dtype=float) * 60.0, np.full(n, 5.0)), FACTS)
    assert day.coverage.n == n
    assert day.ah_in.size == n


def test_a_day_of_nothing_is_all_gap() -> None:
    day = clean(frame_of(np.empty(0), np.empty(0)), FACTS)
    assert day.coverage.gaps == ((0.0, 86400.0),)
    assert day.coverage.fraction == 0


def test_no_cells_and_no_pack_voltage() -> None:
    n = 100
    bare = frame_of(
        np.arange(n, dtype=float) * 10.0, np.full(n, 5.0), cells=np.empty((0, n)), pack_v=np.full(n, np.nan)
    )
    day = clean(bare, FACTS)
    assert np.isnan(day.wh_in).all()
    assert day.ah_in[-1] == pytest.approx(990 * 5 / 3600)


def test_pack_voltage_is_the_sum_of_cells_where_it_is_absent() -> None:
    n = 361
    current = np.full(n, 10.0) + np.random.default_rng(1).normal(0, 0.1, n)
    day = clean(frame_of(np.arange(n, dtype=float) * 10.0, current, pack_v=np.full(n, np.nan)), FACTS)
    assert day.wh_in[-1] == pytest.approx(10 * 16 * 3.3, rel=2e-3)


numbers = st.one_of(st.floats(-2000, 2000, width=32), st.just(float("nan")))


@settings(max_examples=60)
@given(st.integers(0, 40).flatmap(lambda n: st.tuples(
    hnp.arrays(np.float64, n, elements=st.floats(0, 86400)),
    hnp.arrays(np.float32, n, elements=numbers),
    hnp.arrays(np.float32, n, elements=numbers),
    hnp.arrays(np.float32, (3, n), elements=numbers),
)))  # fmt: skip
def test_whatever_comes_the_sums_rise_and_times_increase(parts: tuple[F64, F32, F32, F32]) -> None:
    time_s, current, volts, cells = parts
    day = clean(frame_of(np.sort(time_s), current, cells=cells, pack_v=volts), FACTS)
    assert (np.diff(day.frame.time_s) > 0).all()
    for sums in (day.ah_in, day.ah_out, day.covered_s):
        assert np.isfinite(sums).all()
        assert (np.diff(sums) >= 0).all()
    assert day.coverage.covered_s <= day.coverage.length_s
