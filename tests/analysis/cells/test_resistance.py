from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from analysis.cells.at_25 import ACTIVATION, arrhenius, in_proportion
from analysis.cells.causes_joint import intermittent
from analysis.cells.resistance import (
    CellResistance,
    Resistance,
    ResistancePoint,
    _measured,
    _moving,
)
from analysis.estimate import Estimate, unknown
from analysis.frame import F64


def test_activation_energy_and_reference_are_found() -> None:
    # R = 0.2 mΩ exp(E/R (1/T − 1/298.15)), E = 35 kJ/mol: by hand 0.2 × exp(1.291) = 0.727 mΩ at 0 °C
    temp = np.linspace(-2.0, 28.0, 60)
    ohm = 0.2e-3 * np.exp(35e3 / 8.314 * (1 / (temp + 273.15) - 1 / 298.15))
    assert ohm[np.argmin(np.abs(temp))] == pytest.approx(0.727e-3, rel=0.03)
    law = arrhenius(temp, ohm)
    assert law.ohm_25 == pytest.approx(0.2e-3, rel=0.01)
    assert law.energy_j_mol == pytest.approx(35e3, rel=0.03)
    assert law.at(0.0)[0] == pytest.approx(0.727e-3, rel=0.01)
    assert law.at(25.0)[1] < 0.09  # mostly 0.6 % for each of 12 K


def test_without_a_change_of_temperature_the_prior_holds() -> None:
    law = arrhenius(np.full(20, 25.0), np.full(20, 0.3e-3))
    assert law.ohm_25 == pytest.approx(0.3e-3, rel=1e-3)
    assert law.energy_j_mol == pytest.approx(ACTIVATION[0], rel=0.05)
    assert law.at(25.0)[1] < 0.01  # nothing needs normalising


def test_a_winter_alone_says_little_of_25_degrees() -> None:
    # the prior's 12 kJ/mol between 2 and 25 °C, by hand: 12e3 / 8.314 × (1/275.15 − 1/298.15) = 0.405
    law = arrhenius(np.full(40, 2.0), np.full(40, 0.6e-3))
    assert law.at(25.0)[1] == pytest.approx(math.hypot(0.405, 0.006 * 23), abs=0.01)
    assert law.at(2.0) == pytest.approx((0.6e-3, 0.005), rel=0.3)  # where it was measured all is sure


@pytest.mark.parametrize("varies_k", [0.3, 2.0, 8.0])
def test_the_interval_at_25_holds_the_truth_as_often_as_it_says(varies_k: float) -> None:
    rng, held = np.random.default_rng(4), 0
    for _ in range(300):
        energy = rng.normal(*ACTIVATION)
        temp = 3.0 + varies_k * np.convolve(rng.standard_normal(64), np.full(4, 0.5), "valid")[:60]
        slow = np.convolve(rng.standard_normal(64), np.full(4, 0.5), "valid")[:60]
        ohm = 0.2e-3 * np.exp(energy / 8.314 * (1 / (temp + 273.15) - 1 / 298.15) + 0.04 * slow)
        r25, sd = arrhenius(temp, ohm).at(25.0)
        low, high = in_proportion(r25, 0.0, sd)
        held += low <= 0.2e-3 <= high
    assert held >= 0.92 * 300


def test_no_temperature_at_all_gives_the_median() -> None:
    law = arrhenius(np.full(5, np.nan), np.array([1.0, 2.0, 3.0, 4.0, 5.0]))
    assert law.ohm_25 == 3.0
    assert law.at(25.0)[1] > 0.3
    assert math.isnan(arrhenius(np.empty(0), np.empty(0)).ohm_25)


def jumpy(excess_uohm: list[float], *, restless: float) -> tuple[CellResistance, Resistance]:
    none = unknown("Ω", "not looked at")
    series = tuple(ResistancePoint(f"d{i}", x * 1e-6, 5e-6, 20.0) for i, x in enumerate(excess_uohm))
    one = CellResistance(3, none, none, none, none, none, None, None, restless, 0.0, series)
    median = Estimate(800e-6, "Ω", 790e-6, 810e-6, "made")
    return one, Resistance(median, 15.0, None, 1.8, 0.3, (one,), "made")


def test_a_joint_that_is_bad_every_other_day_is_told_by_its_bad_days() -> None:
    found = intermittent(*jumpy([0.0, 600.0] * 10, restless=20.0))
    assert found is not None
    assert found == pytest.approx((600e-6, 0.0))


def test_a_joint_that_went_bad_once_does_not_come_and_go() -> None:
    assert intermittent(*jumpy([0.0] * 10 + [600.0] * 10, restless=20.0)) is None


def test_an_excess_as_calm_as_the_others_does_not_come_and_go() -> None:
    assert intermittent(*jumpy([0.0, 600.0] * 10, restless=1.0)) is None


def grown(days: int, *, rise_uohm: float, noise: float = 5.0) -> tuple[F64, F64]:
    """Days and an excess that rises by so much a day over the last 30 of them. [µΩ]"""
    t = 20000.0 + np.arange(days, dtype=np.float64)
    rng = np.random.default_rng(2)
    return t, rise_uohm * np.maximum(t - t[-1] + 30.0, 0.0) + noise * rng.standard_normal(days)


def test_an_excess_that_grows_is_told_as_it_is_now() -> None:
    t, excess = grown(60, rise_uohm=25.0)
    # 30 days of 25 µΩ are 750 µΩ on the last day; the median of the last fortnight would be 590
    value, sd = _measured(t, excess * 1e-6, 500e-6)
    assert value == pytest.approx(750e-6, rel=0.03)
    assert abs(value - 750e-6) < 2 * sd


def test_an_excess_that_stays_is_told_as_a_median() -> None:
    t, excess = grown(60, rise_uohm=0.0)
    assert _moving(t, excess / 500.0) is None
    value, _ = _measured(t, (excess + 300.0) * 1e-6, 500e-6)
    assert value == pytest.approx(300e-6, rel=0.02)


def test_cells_that_all_move_from_day_to_day_have_no_joint_that_comes_and_goes() -> None:
    one, pack = jumpy([0.0, 600.0] * 10, restless=5.0)
    rng = np.random.default_rng(3)
    others = tuple(jumpy((600.0 * (rng.random(20) < 0.5)).tolist(), restless=1.0)[0] for _ in range(5))
    cells = (one, *(replace(c, cell=9) for c in others))
    assert intermittent(one, replace(pack, cells=cells)) is None
