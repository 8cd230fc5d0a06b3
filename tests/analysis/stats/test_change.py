"""Change points found in series whose change is known by construction."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.stats.change import cusum, level_shift, onset, step_change

RNG = np.random.default_rng(2)
DAY = np.arange(120.0)


def test_onset_of_a_slope() -> None:
    change = onset(DAY, 1 + 0.03 * np.maximum(DAY - 70, 0) + RNG.normal(0, 0.1, 120))
    assert change is not None
    assert change.low <= 70 <= change.high
    assert change.size_low < 0.03 < change.size_high
    assert change.p < 1e-6


def test_step_in_a_level() -> None:
    y = np.where(DAY >= 40, 0.5, 0.0) + RNG.normal(0, 0.1, 120)
    y[60] = 40.0
    change = step_change(DAY, y)
    assert change is not None
    assert change.at == pytest.approx(40, abs=2)
    assert change.size == pytest.approx(0.5, abs=0.1)


def test_noise_alone_is_no_change() -> None:
    false = sum((c := step_change(DAY, RNG.normal(0, 1, 120))) is not None and c.p < 0.01 for _ in range(60))
    assert false <= 3


def test_too_short_is_none() -> None:
    assert onset([0.0, 1.0], [0.0, 1.0]) is None
    assert step_change(np.zeros(30), np.ones(30)) is None


@given(st.lists(st.floats(-10, 10), min_size=1, max_size=30))
def test_cusum_is_never_negative_and_mirrors(x: list[float]) -> None:
    one, mirrored = cusum(x, 0, 0.5, 4), cusum([-v for v in x], 0, 0.5, 4)
    assert (one.high >= 0).all()
    assert one.low == pytest.approx(mirrored.high)
    assert one.alarm == mirrored.alarm


@pytest.mark.parametrize("n", [41, 60])
def test_a_level_shift_is_where_distances_from_both_medians_are_least(n: int) -> None:
    rng = np.random.default_rng(n)
    y = rng.standard_normal(n).round(1) + 3.0 * (np.arange(n) >= 25)

    def away(part: np.ndarray) -> float:
        return float(np.abs(part - np.median(part)).sum())

    best = min(away(y[:k]) + away(y[k:]) for k in range(12, n - 7))  # by the definition
    cut = level_shift(y, before=12, after=8)
    assert away(y[:cut]) + away(y[cut:]) == pytest.approx(best)
    assert abs(cut - 25) <= 1
