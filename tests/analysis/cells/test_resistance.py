from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.cells.resistance import arrhenius


def test_activation_energy_and_reference_are_found() -> None:
    # R = 0.2 mΩ exp(E/R (1/T − 1/298.15)), E = 35 kJ/mol: by hand 0.2 × exp(1.291) = 0.727 mΩ at 0 °C
    temp = np.linspace(-2.0, 28.0, 60)
    ohm = 0.2e-3 * np.exp(35e3 / 8.314 * (1 / (temp + 273.15) - 1 / 298.15))
    assert ohm[np.argmin(np.abs(temp))] == pytest.approx(0.727e-3, rel=0.03)
    r25, energy = arrhenius(temp, ohm)
    assert r25 == pytest.approx(0.2e-3, rel=0.01)
    assert energy == pytest.approx(35e3, rel=0.03)


def test_without_a_change_of_temperature_the_prior_holds() -> None:
    r25, energy = arrhenius(np.full(20, 25.0), np.full(20, 0.3e-3))
    assert r25 == pytest.approx(0.3e-3, rel=1e-3)
    assert energy == pytest.approx(30e3, rel=0.05)


def test_no_temperature_at_all_gives_the_median() -> None:
    r25, _ = arrhenius(np.full(5, np.nan), np.array([1.0, 2.0, 3.0, 4.0, 5.0]))
    assert r25 == 3.0
    assert math.isnan(arrhenius(np.empty(0), np.empty(0))[0])
