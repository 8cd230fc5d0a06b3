"""Copper conductors and the geometry of a bank against printed tables and arithmetic."""

from __future__ import annotations

import pytest

from analysis.facts import PackFacts
from analysis.packs.conductor import awg_area_mm2, drop_v, heat_w, resistance_ohm

FOOT_M = 0.3048


def test_two_nought_by_the_gauge_formula() -> None:
    # ASTM B258 (formula from memory): diameter 0.3648 in, 67.43 mm²; copper 1.7241e-8 Ω·m (from memory).
    area = awg_area_mm2(-1)
    assert area == pytest.approx(67.43, abs=0.005)
    assert 1e3 * resistance_ohm(1, area) == pytest.approx(0.2557, abs=5e-5)
    assert 1e3 * resistance_ohm(1, area, 75) == pytest.approx(0.3110, abs=1e-4)


@pytest.mark.parametrize(
    ("gauge", "ohm_per_kft"), [(-1, 0.0967), (0, 0.122), (-2, 0.0766), (-3, 0.0608), (2, 0.194), (4, 0.308)]
)
def test_stranded_conductors_of_the_code_table(gauge: int, ohm_per_kft: float) -> None:
    # NEC chapter 9, table 8, uncoated stranded copper, DC at 75 °C (reproduced table); 2 % for the lay.
    ours = 1.02 * resistance_ohm(1000 * FOOT_M, awg_area_mm2(gauge), 75)
    assert ours == pytest.approx(ohm_per_kft, rel=5e-3)


def test_drop_over_four_metres_of_two_nought() -> None:
    # By hand: 0.0967 Ω/kft = 0.317 mΩ/m, 4 m loop: 1.27 mΩ; 200 A: 0.254 V, 50.8 W, 0.50 % of 51.2 V.
    loop = 4 * 0.0967 / (1000 * FOOT_M)
    assert 1e3 * loop == pytest.approx(1.27, abs=5e-3)
    assert drop_v(loop, -100) == pytest.approx(0.127, abs=5e-4)
    assert heat_w(loop, 100) == pytest.approx(12.7, abs=0.05)
    assert drop_v(loop, 200) == pytest.approx(0.254, abs=5e-4)
    assert heat_w(loop, 200) == pytest.approx(50.8, abs=0.1)
    assert drop_v(loop, 200) / 51.2 == pytest.approx(0.005, abs=5e-5)


def test_a_bad_joint() -> None:
    # Hand calculation: 0.1 mΩ at 100 A is 10 mV and 1 W; 0.5 mΩ at 200 A is 100 mV and 20 W.
    assert (drop_v(1e-4, 100), heat_w(1e-4, 100)) == pytest.approx((0.010, 1.0))
    assert (drop_v(5e-4, 200), heat_w(5e-4, 200)) == pytest.approx((0.100, 20.0))


def test_a_conductor_has_a_size() -> None:
    with pytest.raises(ValueError, match="above 0"):
        resistance_ohm(0, 50)


def test_pack_arithmetic() -> None:
    # 16 × 3.2 V = 51.2 V; × 280 Ah = 14.336 kWh; 0.2 It = 56 A (hand calculation).
    facts = PackFacts("A")
    assert facts.n_cells * 3.2 == pytest.approx(51.2)
    assert facts.n_cells * 3.2 * facts.rated_ah / 1000 == pytest.approx(14.336)
    assert 0.2 * facts.rated_ah == pytest.approx(56)
    assert facts.n_cells * facts.full_cell_v == pytest.approx(55.2)
