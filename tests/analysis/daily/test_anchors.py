from dataclasses import replace

import numpy as np
import pytest

from analysis.daily.anchors import Anchor, observe_anchors
from analysis.daily.hygiene import clean
from analysis.frame import F64, Frame
from tests.analysis import made

PERIODS = (1.0, 10.0, 60.0)


def anchors_of(pack: made.Pack, current: F64) -> tuple[Anchor, ...]:
    return observe_anchors(clean(pack.frame(0, current), made.FACTS))


@pytest.mark.parametrize("period", PERIODS)
def test_a_tapered_charge_is_one_full_anchor_where_the_model_is_full(period: float) -> None:
    pack = made.Pack(period_s=period)
    frame = pack.frame(0, made.day_current(pack))
    found = observe_anchors(clean(frame, made.FACTS))
    assert [(a.kind, a.quality) for a in found] == [("full", "taper")]
    soc = 0.5 + found[0].mark.ah / 280.0  # the model starts at one half
    assert soc == pytest.approx(1.0, abs=0.008)
    assert found[0].current_a <= 0.05 * 280


def test_a_charge_that_stops_untapered_at_the_top_is_a_limit() -> None:
    pack = made.Pack(r_ohm=0.3e-3)
    found = observe_anchors(clean(pack.frame(0, made.day_current(pack, taper=False)), made.FACTS))
    assert [(a.kind, a.quality) for a in found] == [("full", "limit")]


def test_one_cell_ahead_that_ends_the_charge_is_told_apart() -> None:
    pack = made.Pack(spread=(0.03, *[0.0] * 15), soc=0.5)
    current = np.zeros(8640)
    current[2520 : 2520 + 2436] = 0.07 * 280  # 7 % of 280 Ah an hour for 6.77 h: to 97.4 %
    found = anchors_of(pack, current)
    assert [(a.quality, a.max_v > 3.5, a.median_v < 3.4) for a in found] == [("high cell", True, True)]


def test_a_bank_charged_to_ninety_percent_has_no_anchor() -> None:
    pack = made.Pack(soc=0.5)
    current = np.zeros(8640)
    current[2520:5400] = 0.05 * 280
    assert anchors_of(pack, current) == ()


def test_a_passing_cloud_is_no_taper() -> None:
    # bulk charge at 0.3 C near the top, the sun gone for one minute at 97 %: not full
    pack = made.Pack(soc=0.90, r_ohm=1.2e-3)
    current = np.zeros(8640)
    current[2520:2604] = 84.0  # to 96.9 %
    current[2604:2610] = 8.0
    current[2610:2620] = 84.0
    found = anchors_of(pack, current)
    assert [a.quality for a in found if a.quality == "taper"] == []


def test_a_lower_charging_voltage_gives_a_low_taper() -> None:
    pack = made.Pack(soc=0.97)
    current = np.zeros(8640)
    current[2520:3600] = 0.0055 * 280
    current[3600:3960] = 0.004 * 280  # to 99 %, 3.39 V a cell: beyond the plateau, short of full
    found = anchors_of(pack, current)
    assert [(a.kind, a.quality) for a in found] == [("full", "low taper")]


def test_an_absorption_that_ends_early_is_a_low_taper() -> None:
    # 0.03 C left at 3.40 V when the charger gives up, as with 54.4 V for an hour: not full, but known
    pack = made.Pack(soc=0.95, r_ohm=0.4e-3)
    current = np.zeros(8640)
    current[2520:3000] = 0.03 * 280  # 4 % of the capacity in 80 minutes
    found = anchors_of(pack, current)
    assert [a.quality for a in found] == ["low taper"]
    assert found[0].median_v == pytest.approx(3.40, abs=0.01)


def test_the_lower_knee_is_crossed_once_a_level() -> None:
    pack = made.Pack(soc=0.2)
    current = np.zeros(8640)
    current[1000:4000] = -0.19 / 3000 * 360 * 280  # 19 % of the capacity in 3000 samples of 10 s
    found = anchors_of(pack, current)
    assert [(a.kind, a.level_v) for a in found] == [("low", 3.1), ("low", 3.0), ("low", 2.8)]
    # the model's curve: 3.10 V at 5 %, 3.00 V at 3.5 % of the capacity
    assert 0.2 + found[0].mark.ah / 280 == pytest.approx(0.05, abs=0.003)
    assert 0.2 + found[1].mark.ah / 280 == pytest.approx(0.035, abs=0.003)


def test_without_cell_voltages_the_pack_voltage_serves() -> None:
    pack = made.Pack(n_cells=0)
    found = observe_anchors(clean(pack.frame(0, made.day_current(pack)), made.FACTS))
    assert [a.quality for a in found] == ["taper"]


@pytest.mark.parametrize("n", [0, 1, 2])
def test_too_little_for_an_anchor(n: int) -> None:
    assert anchors_of(made.Pack(), np.zeros(n)) == ()


def switched(pack: made.Pack, first_a: float, second_a: float) -> F64:
    """Two loads in turn, ten minutes each, all day long."""
    n = round(86400 / pack.period_s)
    block = round(600 / pack.period_s)
    return np.where(np.arange(n) // block % 2 == 0, -first_a, -second_a)


def with_worn_cell(pack: made.Pack, current: F64, more_ohm: float) -> Frame:
    """A day in which the fourth cell has so much more resistance than the others. [Ω]"""
    frame = pack.frame(0, current)
    cells = frame.cells_v.copy()
    cells[3] += (current * more_ohm).astype(np.float32)
    return replace(frame, cells_v=cells)


def test_a_worn_cell_that_its_load_pulls_down_is_not_empty() -> None:
    # 112 A pull a cell of 1.6 mΩ more down by 0.18 V more, in the middle of its charge.
    pack = made.Pack(soc=0.75, r_ohm=0.3e-3)
    frame = with_worn_cell(pack, np.concatenate((switched(pack, 30.0, 112.0)[:800], np.zeros(7840))), 1.6e-3)
    assert np.nanmin(frame.cells_v) < 3.10
    assert observe_anchors(clean(frame, made.FACTS)) == ()


def test_what_a_cells_own_resistance_takes_is_given_back_before_it_is_judged() -> None:
    # 8 and 14 A: the worn cell loses 21 mV at most, which is known from the steps: the knee is the model's.
    pack = made.Pack(soc=0.45, r_ohm=0.3e-3)
    frame = with_worn_cell(pack, switched(pack, 6.0, 15.0), 1.4e-3)
    found = [a for a in observe_anchors(clean(frame, made.FACTS)) if a.level_v == 3.10]
    (knee,) = found
    soc = 0.45 + knee.mark.ah / 280.0
    assert soc == pytest.approx(0.05, abs=0.012)  # 3.10 V in the model's own curve


def test_at_a_heavy_load_no_knee_is_seen() -> None:
    # 0.3 mΩ × 140 A are 42 mV that a cell may be slow by, not empty: nothing is said.
    pack = made.Pack(soc=0.5, r_ohm=0.3e-3)
    current = np.where(np.arange(8640) < 330, -140.0, 0.0)
    assert [a for a in anchors_of(pack, current) if a.kind == "low"] == []
