from __future__ import annotations

import numpy as np
import pytest

from analysis.daily.hygiene import clean
from analysis.daily.plateau import observe_plateau
from analysis.daily.steps import observe_steps
from analysis.facts import PackFacts
from analysis.frame import F64, Frame

OHMS = np.array([0.1875e-3, 0.1875e-3, 0.1875e-3, 0.1875e-3, 0.375e-3])


def day(currents: F64, ohms: F64 = OHMS, error_v: float = 0.0) -> Frame:
    n = currents.size
    noise = 2e-5 * np.random.default_rng(3).standard_normal((5, n))  # frames that repeat count as stuck
    cells = (3.30 + ohms[:, None] * currents + noise).astype(np.float32)
    cells[1] += error_v
    return Frame(
        "A", "1970-01-01", 0.0, 86400.0, 0, np.arange(n, dtype=float) * 10.0, cells.sum(axis=0),
        currents.astype(np.float32),
        cells, np.full((4, n), 20.0, np.float32), {},
    )  # fmt: skip


def square(low: float, high: float) -> F64:
    return np.tile(np.repeat([low, high], 30), 60)


def test_two_level_resistance() -> None:
    # U1 3.280 V at 56 A, U2 3.238 V at 280 A: (3.280 − 3.238) / (280 − 56) = 0.1875 mΩ, by hand
    found = observe_steps(clean(day(square(-56.0, -280.0)), PackFacts("A", n_cells=5)))
    assert found.n > 50
    assert found.resistance_ohm == pytest.approx(0.1875e-3, rel=2e-3)
    assert found.excess_ohm[4] == pytest.approx(0.1875e-3, rel=5e-3)
    assert found.base_s == 15.0
    assert found.temp_c == 20.0


def test_small_and_unsteady_steps_are_not_used() -> None:
    small = observe_steps(clean(day(square(-5.0, -15.0)), PackFacts("A", n_cells=5)))
    assert small.n == 0
    assert small.excess_ohm == ()
    ramp = np.linspace(-100.0, 0.0, 3600)
    assert observe_steps(clean(day(ramp), PackFacts("A", n_cells=5))).n == 0


def test_plateau_tells_resistance_from_reading_error() -> None:
    found = observe_plateau(clean(day(square(-60.0, 60.0), error_v=0.02), PackFacts("A", n_cells=5)))
    assert found.excess_ohm[4] == pytest.approx(0.1875e-3, rel=0.02)
    assert found.error_v[1] == pytest.approx(0.02, abs=5e-4)
    assert abs(found.sum_ohm) < 2e-6


def test_an_empty_day_has_no_steps() -> None:
    assert observe_steps(clean(day(np.empty(0)), PackFacts("A", n_cells=5))).n == 0
    assert observe_plateau(clean(day(np.empty(0)), PackFacts("A", n_cells=5))).n == 0


def relaxing(period_s: float, shift_s: float) -> Frame:
    """A day of long steps over R0 0.15 mΩ and an RC pair of 0.10 mΩ, 20 s, sampled at any period."""
    n = int(86400 / period_s)
    time_s = np.arange(n, dtype=np.float64) * period_s
    phase = (time_s + shift_s) % 1200.0
    amps = np.where(phase < 600.0, -56.0, -156.0)
    since = phase % 600.0
    slow = -106.0 + np.where(phase < 600.0, 1.0, -1.0) * (50.0 - 100.0 * np.exp(-since / 20.0))
    noise = 2e-5 * np.random.default_rng(4).standard_normal((4, n))
    rows = (3.30 + 0.15e-3 * amps + 0.10e-3 * slow + noise).astype(np.float32)
    return Frame(
        "A", "1970-01-01", 0.0, 86400.0, 0, time_s, rows.sum(axis=0),
        amps.astype(np.float32), rows, np.full((4, n), 25.0, np.float32), {},
    )  # fmt: skip


@pytest.mark.parametrize(
    ("period_s", "shift_s"), [(10.0, 3.0), (10.0, 7.0), (1.0, 0.0), (1.0, 4.0), (5.0, 2.0)]
)
def test_resistance_is_that_of_the_time_it_names(period_s: float, shift_s: float) -> None:
    # R(t) = 0.15 + 0.10 (1 - exp(-t / 20)) mΩ for a step from rest of the pair, by hand
    found = observe_steps(clean(relaxing(period_s, shift_s), PackFacts("A", n_cells=4)))
    assert found.n > 50
    assert 9.0 <= found.base_s <= 16.0
    wanted = 0.15e-3 + 0.10e-3 * (1 - np.exp(-found.base_s / 20.0))
    assert found.resistance_ohm == pytest.approx(wanted, rel=0.04)
