import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.daily.spikes import cell_spikes, current_spikes, median_of_five, temperature_spikes


@given(st.lists(st.floats(-100, 100, width=32), max_size=40))
def test_median_of_five_is_the_median(values: list[float]) -> None:
    x = np.array(values, dtype=np.float32)
    ours = median_of_five(x)
    for i in range(x.size):
        inner = 2 <= i < x.size - 2
        assert ours[i] == (np.median(x[i - 2 : i + 3]) if inner else x[i])  # numpy's own median


def test_a_large_current_with_no_voltage_to_check_by_is_dropped_only_if_absurd() -> None:
    current = np.zeros(20, dtype=np.float32)
    current[5], current[12] = 100.0, 700.0
    spike = current_spikes(current, np.full(20, np.nan, np.float32), 280.0, 16)
    assert np.nonzero(spike)[0].tolist() == [12]


def test_two_bad_samples_in_a_row_are_both_found() -> None:
    current = np.full(20, -10.0, dtype=np.float32)
    current[8:10] = 327.67
    spike = current_spikes(current, np.full(20, 52.0, np.float32), 280.0, 16)
    assert np.nonzero(spike)[0].tolist() == [8, 9]


@pytest.mark.parametrize("shape", [(0, 10), (1, 10), (4, 2)])
def test_no_neighbours_no_verdict(shape: tuple[int, int]) -> None:
    cell, at = cell_spikes(np.ones(shape, dtype=np.float32), np.zeros(shape[1], dtype=np.float32), 280.0)
    assert cell.size == at.size == 0


def test_a_temperature_that_changes_for_good_is_kept() -> None:
    temps = np.full((1, 10), 20.0, dtype=np.float32)
    temps[0, 5:] = 40.0
    assert not temperature_spikes(temps).any()
