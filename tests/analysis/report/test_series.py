from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from analysis.report.series import min_max


@given(arrays(np.float64, st.integers(1, 400), elements=st.floats(-1e3, 1e3)), st.integers(1, 50))
def test_no_extreme_is_lost_and_the_order_is_kept(values: np.ndarray, buckets: int) -> None:
    time_s = np.arange(values.size, dtype=float)
    t, v = min_max(time_s, values, buckets)
    assert v.max() == values.max()
    assert v.min() == values.min()
    assert (np.diff(t) > 0).all()
    assert t.size <= max(2 * buckets, values.size if values.size <= 2 * buckets else 0)
    assert set(t.tolist()) <= set(time_s.tolist())


def test_one_spike_in_a_day_of_seconds_survives() -> None:
    values = np.zeros(86_400)
    values[43_217] = 180.0
    t, v = min_max(np.arange(86_400.0), values, 160)
    assert v.max() == 180.0
    assert t[v.argmax()] == 43_217
    assert t.size <= 320


def test_missing_values_break_the_line_and_hide_nothing() -> None:
    values = np.full(1000, np.nan)
    values[700] = 5.0
    _, v = min_max(np.arange(1000.0), values, 10)
    assert np.nanmax(v) == 5.0
    assert np.isnan(v).sum() >= 9


def test_misuse_is_refused() -> None:
    with pytest.raises(ValueError, match="differ in length"):
        min_max(np.zeros(3), np.zeros(2), 4)
    with pytest.raises(ValueError, match="bucket"):
        min_max(np.zeros(3), np.zeros(3), 0)


def test_an_empty_series_stays_empty() -> None:
    t, v = min_max(np.zeros(0), np.zeros(0), 4)
    assert t.size == v.size == 0
