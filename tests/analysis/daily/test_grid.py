from __future__ import annotations

import numpy as np
import pytest

from analysis.daily.grid import gridded, median_of_three
from analysis.daily.hygiene import clean
from analysis.facts import PackFacts
from analysis.frame import Frame


def frame(period_s: float, n: int, cells: int = 4) -> Frame:
    time_s = np.arange(n, dtype=float) * period_s
    return Frame(
        "A", "1970-01-01", 0.0, 86400.0, 0, time_s,
        np.full(n, 13.2, np.float32), np.full(n, 36.0, np.float32),
        np.tile(np.linspace(3.3, 3.4, n, dtype=np.float32), (cells, 1)),
        np.full((2, n), 21.0, np.float32), {},
    )  # fmt: skip


def test_one_second_data_become_ten_second_means() -> None:
    grid = gridded(clean(frame(1.0, 600), PackFacts("A", n_cells=4)))
    assert grid.width_s == 10.0
    assert grid.time_s.size == 60
    assert grid.current_a[5] == pytest.approx(36.0)
    assert grid.charge_ah[-1] - grid.charge_ah[0] == pytest.approx(36.0 * 590 / 3600)
    assert grid.temp_c[0] == pytest.approx(21.0)


def test_slow_data_keep_their_period() -> None:
    grid = gridded(clean(frame(60.0, 100), PackFacts("A", n_cells=4)))
    assert grid.time_s.size == 100


def test_an_empty_day_gives_an_empty_grid() -> None:
    assert gridded(clean(frame(1.0, 0), PackFacts("A", n_cells=4))).time_s.size == 0


def test_a_spike_of_one_bin_vanishes_and_missing_values_stay_missing() -> None:
    row = np.array([[3.3, 3.3, 3.9, 3.3, np.nan, 3.3]], dtype=np.float32)
    out = median_of_three(row)
    assert out[0, 2] == pytest.approx(3.3)
    assert np.isnan(out[0, 4])


def test_missing_readings_do_not_spoil_their_bin() -> None:
    made = frame(1.0, 100)
    made.cells_v[1, 3] = np.nan
    grid = gridded(clean(made, PackFacts("A", n_cells=4)))
    assert np.isfinite(grid.cells_v).all()
