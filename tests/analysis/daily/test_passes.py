from __future__ import annotations

import numpy as np
import pytest

from analysis.daily.grid import Grid, gridded
from analysis.daily.hygiene import clean
from analysis.daily.passes import pack_resistance, passes
from analysis.frame import F64
from tests.analysis import made


def grid_of(pack: made.Pack, current: F64) -> Grid:
    return gridded(clean(pack.frame(0, current), made.FACTS))


def test_a_day_of_night_and_sun_has_three_passes() -> None:
    current = np.concatenate((np.full(2500, -15.0), np.full(3000, 30.0), np.full(3140, -15.0)))
    found = passes(grid_of(made.Pack(), current), 280.0)
    assert [one.sign for one in found] == [-1, 1, -1]
    assert found[1].index[0] == pytest.approx(2500, abs=10)
    assert found[1].index[-1] == pytest.approx(5499, abs=10)


def test_a_cloud_does_not_end_a_charge() -> None:
    current = np.full(8640, 25.0)
    current[4000:4060] = -10.0  # ten minutes: 1.7 Ah, less than 2 % of 280 Ah
    assert [one.sign for one in passes(grid_of(made.Pack(soc=0.1), current), 280.0)] == [1]


def test_the_typical_resistance_comes_from_steps() -> None:
    current = np.tile(np.repeat([-10.0, -60.0], 30), 144)
    grid = grid_of(made.Pack(soc=0.9, noise_v=0.0003, r_ohm=0.5e-3), current)
    ohm = pack_resistance(grid, 280.0)
    assert ohm == pytest.approx(0.5e-3, rel=0.05)
