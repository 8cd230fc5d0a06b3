from dataclasses import replace

import numpy as np
import pytest

from sample_data.bank import bank_day, with_faults
from sample_data.cell import HILL, RIDGE, VALLEY, Chemistry, arrhenius
from sample_data.engine import Engine
from sample_data.orchard import ORCHARD
from sample_data.state import initial


@pytest.mark.parametrize("chemistry", [HILL, VALLEY, RIDGE])
def test_curve_rises_and_has_a_plateau_between_two_knees(chemistry: Chemistry) -> None:
    # Plateau of lithium iron phosphate 3.2–3.35 V, empty 2.5–2.8 V: common practice, no source.
    assert (np.diff(chemistry.ocv_v) > 0).all()
    soc = np.array([0.0, 0.2, 0.5, 0.9, 0.97, 1.01])
    volts = chemistry.equilibrium(soc)
    assert 2.4 < volts[0] < 2.85
    assert 3.23 < volts[1] < volts[2] < volts[3] < 3.35
    assert volts[4] < 3.40
    assert volts[5] > 3.5


@pytest.mark.parametrize("chemistry", [HILL, VALLEY, RIDGE])
def test_one_percent_on_the_plateau_is_a_few_millivolts_at_most(chemistry: Chemistry) -> None:
    # "1 % SoC is about 1.7 mV": Nature Energy 2024 field study, second-hand.
    slope = (chemistry.equilibrium(np.array([0.62])) - chemistry.equilibrium(np.array([0.42])))[0] / 20
    assert 0 < slope < 0.0017


def test_arrhenius_is_one_at_25_and_grows_in_the_cold() -> None:
    factor = arrhenius(np.array([25.0, 0.0]), 2300.0)
    assert factor[0] == pytest.approx(1.0)
    # exp(2300 × (1/273.15 − 1/298.15)) = exp(0.70606) = 2.026, by hand
    assert factor[1] == pytest.approx(2.026, abs=0.002)


def test_a_full_pack_settles_at_rest_where_the_surface_runs_ahead() -> None:
    # Charged at 0.2 C to the knee, the voltage falls by tens of mV in an hour: common practice, no source.
    scenario = replace(with_faults(ORCHARD), chemistry=RIDGE)
    state = initial(scenario, hall_c=15.0, soc=0.98)
    engine = Engine(scenario, state)
    engine.begin_day(bank_day(scenario, 0), "2026-06-01")
    for _ in range(20):
        engine.step(30.0, 6000.0, 200.0, 15.0)
    charged = np.median(state.packs[0].cell_v)
    for _ in range(120):
        engine.step(30.0, 250.0, 200.0, 15.0)
    assert charged > 3.40
    assert charged - np.median(state.packs[0].cell_v) > 0.02
