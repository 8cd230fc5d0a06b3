from collections.abc import Sequence

import numpy as np
import pytest
import rainflow
from hypothesis import given
from hypothesis import strategies as st

from analysis.frame import F64
from analysis.stats.rainflow import closed_cycles, half_cycles, turning_points


def counted(series: Sequence[float] | F64) -> dict[float, float]:
    """Range → cycles, closed ones and halves together."""
    count = closed_cycles(np.asarray(series, dtype=float))
    halves, _ = half_cycles(count.residual)
    table: dict[float, float] = {}
    for size, weight in [(r, 1.0) for r in count.ranges] + [(r, 0.5) for r in halves]:
        table[round(float(size), 9)] = table.get(round(float(size), 9), 0.0) + weight
    return table


def test_the_standards_example() -> None:
    # ASTM E1049-85 (2011), 5.4.4, Fig. 6: ranges and counts of its table
    assert counted([-2, 1, -3, 5, -1, 3, -4, 4, -2]) == {3: 0.5, 4: 1.5, 6: 0.5, 8: 1.0, 9: 0.5}


def test_a_charge_like_series() -> None:
    # computed with the rainflow package 3.2.0, in percent
    assert counted([50, 90, 20, 80, 60, 90, 10, 50]) == {20: 1, 40: 1, 70: 1, 80: 0.5}


@pytest.mark.parametrize("series", [[], [1.0], [2.0, 2.0, 2.0]])
def test_nothing_moves_nothing_counts(series: list[float]) -> None:
    assert counted(series) == {}


def test_one_way_is_half_a_cycle() -> None:
    assert counted([0.0, 1.0]) == {1.0: 0.5}


floats = st.lists(st.floats(-100, 100).map(lambda x: round(x, 6)), min_size=3, max_size=60)


def distinct(series: list[float]) -> bool:
    """Whether no two ranges of a series are equal, and there is a reversal (the package needs one)."""
    turns = turning_points(np.array(series))
    ranges = np.round(np.abs(np.diff(turns)), 9)
    return turns.size >= 3 and np.unique(ranges).size == ranges.size


@given(floats)
def test_equal_to_the_rainflow_package(series: list[float]) -> None:
    if not distinct(series):
        return  # equal ranges may be split between whole and half in another way
    theirs: dict[float, float] = {}
    for size, _, weight, _, _ in rainflow.extract_cycles(series):
        theirs[round(size, 9)] = theirs.get(round(size, 9), 0.0) + weight
    assert counted(series) == pytest.approx(theirs)


@given(floats)
def test_ranges_add_up_to_half_the_path(series: list[float]) -> None:
    turns = turning_points(np.array(series))
    total = sum(size * weight for size, weight in counted(series).items())
    assert total == pytest.approx(0.5 * np.abs(np.diff(turns)).sum(), abs=1e-6)


@given(floats, st.integers(1, 58), st.integers(1, 58))
def test_parts_compose_to_the_whole(series: list[float], cut_a: int, cut_b: int) -> None:
    a, b = sorted((min(cut_a, len(series)), min(cut_b, len(series))))
    whole = closed_cycles(np.array(series))
    parts = [closed_cycles(np.array(p)) for p in (series[:a], series[a:b], series[b:])]
    rest = closed_cycles(np.concatenate([p.residual for p in parts]))
    together = np.sort(np.concatenate([rest.ranges, *(p.ranges for p in parts)]))
    # equal ranges leave the choice open; what a choice can move is only where one range ends
    if len(set(np.round(np.abs(np.diff(turning_points(np.array(series)))), 9))) == max(
        turning_points(np.array(series)).size - 1, 0
    ):
        assert together == pytest.approx(np.sort(whole.ranges))
        assert rest.residual == pytest.approx(whole.residual)


@given(floats)
def test_points_on_straight_lines_change_nothing(series: list[float]) -> None:
    dense = np.interp(
        np.linspace(0, len(series) - 1, 4 * (len(series) - 1) + 1), np.arange(len(series)), series
    )
    a, b = counted(series), counted(dense)
    assert sum(a.values()) == pytest.approx(sum(b.values()))
