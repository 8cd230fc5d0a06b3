"""The ageing model against blast-lite, the library it is published in."""

from __future__ import annotations

import numpy as np
import pytest
from blast.models import Lfp_Gr_250AhPrismatic

from analysis.packs.life_model import (
    Stress,
    calendar_rate,
    cycle_rate,
    graphite_potential,
    life,
)


def test_graphite_potential() -> None:
    # Values of blast-lite 1.1.1.
    assert graphite_potential([0.1, 0.5, 0.9, 1.0]) == pytest.approx(
        [0.23325, 0.12330, 0.08818, 0.08638], abs=5e-6
    )
    theirs = Lfp_Gr_250AhPrismatic._get_Ua(np.linspace(0, 1, 21))  # noqa: SLF001 - their only way to it
    assert graphite_potential(np.linspace(0, 1, 21)) == pytest.approx(theirs)


def test_calendar_coefficients() -> None:
    expected = [1.33091e-4, 4.94623e-4, 7.52296e-4, 7.68660e-4]
    assert calendar_rate(25.0, [0.1, 0.5, 0.9, 1.0]) == pytest.approx(expected, rel=1e-5)
    for temp, soc, years, loss in (
        (25, 0.5, 1, 0.0110), (25, 0.5, 10, 0.0370), (25, 1.0, 1, 0.0171), (25, 1.0, 10, 0.0575),
        (35, 1.0, 1, 0.0312), (35, 1.0, 10, 0.1048),
    ):  # fmt: skip
        assert float(calendar_rate(temp, soc)) * (365 * years) ** 0.526 == pytest.approx(loss, abs=6e-5)


def test_cycle_coefficient() -> None:
    k = float(cycle_rate(25.0, 0.8, 0.5))
    assert k == pytest.approx(2.171548e-4, rel=1e-6)
    assert k * 300**0.828 == pytest.approx(0.0244, abs=5e-5)
    assert k * 3000**0.828 == pytest.approx(0.1644, abs=5e-5)


def daily_cycle(days: int) -> list[Stress]:
    hours = np.arange(0, 24, 1.0)
    soc = np.interp(hours, [0, 6, 12, 24], [0.5, 0.1, 0.9, 0.5])
    k_cal = float(np.mean(calendar_rate(25.0, soc)))
    k_cyc = float(cycle_rate(25.0, 0.8, 1.6 / 24))
    return [Stress(1.0, 0.8, k_cal, k_cyc)] * days


def test_ten_years_of_a_daily_cycle() -> None:
    """One cycle a day from 10 to 90 % at 25 °C; the library's chunking costs up to 0.5 %."""
    losses = life(daily_cycle(3650))
    assert 1 - losses[364].total == pytest.approx(0.977159, abs=0.005)
    assert 1 - losses[3649].total == pytest.approx(0.884294, abs=0.005)
    assert 1 - losses[364].calendar == pytest.approx(0.988609, abs=0.002)
    assert 1 - losses[364].cycle == pytest.approx(0.988551, abs=0.002)


def test_a_year_beside_the_library(monkeypatch: pytest.MonkeyPatch) -> None:
    if not hasattr(np, "trapz"):
        monkeypatch.setattr(np, "trapz", np.trapezoid, raising=False)
    hours = np.arange(24 * 365 + 1.0)
    soc = np.interp(hours % 24, [0, 6, 12, 24], [0.5, 0.1, 0.9, 0.5])
    cell = Lfp_Gr_250AhPrismatic()
    cell.simulate_battery_life(
        {"Time_s": hours * 3600, "SOC": soc, "Temperature_C": np.full(hours.size, 25.0)}, threshold_time=1
    )
    assert 1 - life(daily_cycle(365))[-1].total == pytest.approx(cell.outputs["q"][-1], abs=0.005)
