from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.daily.integrate import Sums, filled, gaps, split_trapezoid, sums
from analysis.frame import F64


def run(
    time_s: Sequence[float] | F64, current: Sequence[float] | F64, *, voltage: float = 50.0, lead: int = 0
) -> Sums:
    n = len(time_s)
    volts = np.full(n, voltage, dtype=np.float32)
    return sums(np.array(time_s, dtype=float), np.array(current, dtype=np.float32), volts, lead, 30.0)


def test_an_hour_at_ten_amperes() -> None:
    # 10 A × 1 h = 10 Ah, × 50 V = 500 Wh: hand calculation
    total = run(np.arange(0, 3601.0, 10), [10.0] * 361)
    assert total.ah_in[-1] == pytest.approx(10)
    assert total.wh_in[-1] == pytest.approx(500)
    assert total.ah_out[-1] == 0
    assert total.covered_s[-1] == 3600


def test_a_line_through_zero_is_split_where_it_crosses() -> None:
    # from +30 A to −10 A in 4 s: 3 s above (45 As), 1 s below (5 As): hand calculation
    up, down = split_trapezoid(np.array([30.0, -10.0]), np.array([0.0, 4.0]))
    assert up[1] == pytest.approx(45)
    assert down[1] == pytest.approx(5)


def test_nothing_is_counted_across_a_gap() -> None:
    total = run([0, 10, 20, 1000, 1010], [10.0] * 5)
    assert total.covered_s[-1] == 30
    assert total.gap.tolist() == [False, False, False, True, False]
    assert total.dt_s[3] == 0


def test_a_short_hole_in_the_current_is_bridged_a_long_one_is_a_gap() -> None:
    current = np.full(100, 10.0)
    current[5:7] = np.nan
    current[20:80] = np.nan
    total = run(np.arange(100.0), current)
    assert total.covered_s[-1] == pytest.approx(99 - 61)
    assert total.ah_in[-1] == pytest.approx(10 * 38 / 3600)


def test_the_lead_in_counts_nothing_but_its_last_interval_does() -> None:
    total = run([-20, -10, 10, 20], [10.0] * 4, lead=2)
    assert total.ah_in.tolist() == pytest.approx([0, 0, 200 / 3600, 300 / 3600])


@pytest.mark.parametrize("n", [0, 1])
def test_too_short_to_integrate(n: int) -> None:
    total = run(np.arange(float(n)), [5.0] * n)
    assert total.ah_in.tolist() == [0.0] * n


def test_all_unknown_counts_nothing() -> None:
    total = run(np.arange(10.0), [np.nan] * 10)
    assert total.covered_s[-1] == 0
    assert total.ah_in[-1] == total.ah_out[-1] == 0


def test_no_voltage_no_energy() -> None:
    total = run(np.arange(10.0), [5.0] * 10, voltage=np.nan)
    assert np.isnan(total.wh_in).all()
    assert total.ah_in[-1] > 0


def test_filled_holds_the_ends() -> None:
    values, valid = filled(np.arange(4.0), np.array([np.nan, 1.0, np.nan, 3.0]))
    assert values.tolist() == [1, 1, 2, 3]
    assert valid.tolist() == [False, True, False, True]


@given(st.lists(st.floats(-300, 300, width=32), min_size=3, max_size=60), st.integers(1, 58))
def test_charge_adds_up_over_a_split(current: list[float], cut: int) -> None:
    cut = min(cut, len(current) - 2)
    time_s = np.arange(len(current), dtype=float)
    whole = run(time_s, current)
    first = run(time_s[: cut + 1], current[: cut + 1])
    second = run(time_s[cut:], current[cut:], lead=1)
    for name in ("ah_in", "ah_out", "wh_in", "wh_out", "covered_s"):
        parts = getattr(first, name)[-1] + getattr(second, name)[-1]
        assert parts == pytest.approx(getattr(whole, name)[-1], rel=1e-9, abs=1e-9)


@given(st.lists(st.floats(-300, 300, width=32), min_size=2, max_size=60))
def test_in_minus_out_is_the_trapezoid(current: list[float]) -> None:
    time_s = np.arange(len(current), dtype=float)
    total = run(time_s, current)
    assert total.ah_in[-1] - total.ah_out[-1] == pytest.approx(
        np.trapezoid(np.array(current), time_s) / 3600, abs=1e-9
    )
    assert (np.diff(total.ah_in) >= 0).all()
    assert (np.diff(total.ah_out) >= 0).all()


def test_gaps_follow_the_limit() -> None:
    dt, gap = gaps(np.array([0.0, 60.0, 400.0]), np.array([True, True, True]), 300.0)
    assert gap.tolist() == [False, False, True]
    assert dt.tolist() == [0.0, 60.0, 0.0]
