"""Steps in made-up curves whose middle is known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.daily.graphite import find_cells, find_step
from analysis.frame import F64

RATED = 280.0
Q = np.arange(-200.0, -20.0, 2.8)


def curve(middle: float, width: float, height: float, tilt: float = 5e-5) -> F64:
    return 3.315 + tilt * (Q + 110) + 0.5 * height * np.tanh((Q - middle) / width)


@settings(max_examples=60)
@given(
    middle=st.floats(-140.0, -80.0),
    width=st.floats(9.0, 28.0),
    height=st.floats(0.02, 0.05),
    tilt=st.floats(0.0, 8e-5),
    seed=st.integers(0, 999),
)
def test_the_middle_is_found(middle: float, width: float, height: float, tilt: float, seed: int) -> None:
    noise = 2e-4 * np.random.default_rng(seed).standard_normal(Q.size)
    step = find_step(Q, curve(middle, width, height, tilt) + noise, RATED)
    assert step is not None
    assert step.charge_ah == pytest.approx(middle, abs=max(4 * step.u_ah, 1.5))
    assert step.height_v == pytest.approx(height, rel=0.6)  # a wide step and a tilt are alike


@settings(max_examples=40)
@given(shift=st.floats(-50.0, 50.0), lift=st.floats(-0.05, 0.05))
def test_moving_a_curve_moves_its_step(shift: float, lift: float) -> None:
    volts = curve(-110.0, 16.0, 0.03) + 1e-4 * np.sin(Q)
    here, there = find_step(Q, volts, RATED), find_step(Q + shift, volts + lift, RATED)
    assert here is not None
    assert there is not None
    assert there.charge_ah - here.charge_ah == pytest.approx(shift, abs=0.02)


@settings(max_examples=60)
@given(tilt=st.floats(-3e-4, 3e-4), bend=st.floats(-8e-7, 8e-7), seed=st.integers(0, 999))
def test_a_curve_without_a_step_shows_none(tilt: float, bend: float, seed: int) -> None:
    noise = 3e-4 * np.random.default_rng(seed).standard_normal(Q.size)
    assert find_step(Q, 3.3 + tilt * Q + bend * (Q + 110) ** 2 + noise, RATED) is None


def test_a_flank_is_not_a_step() -> None:
    assert find_step(Q, curve(-20.0, 16.0, 0.035), RATED) is None
    assert find_step(Q, curve(-200.0, 16.0, 0.035), RATED) is None
    assert find_step(Q[:8], curve(-190.0, 9.0, 0.035)[:8], RATED) is None


def test_holes_are_left_out() -> None:
    volts = curve(-110.0, 20.0, 0.03)
    volts[::7] = np.nan
    step = find_step(Q, volts, RATED)
    assert step is not None
    assert step.charge_ah == pytest.approx(-110.0, abs=0.5)


def test_each_cell_has_its_own() -> None:
    own = np.array([0.0, 6.0, -4.0, 0.5])
    rows = np.array([curve(-110.0 + x, 18.0, 0.03) for x in own])
    step = find_step(Q, rows[0], RATED)
    assert step is not None
    found = find_cells(Q, rows + np.array([0.0, 0.004, -0.003, 0.01])[:, None], step)
    assert found - found[0] == pytest.approx(own, abs=0.4)
    flat = find_cells(Q, np.vstack((rows, np.full(Q.size, 3.3))), step)
    assert np.isnan(flat[-1])
