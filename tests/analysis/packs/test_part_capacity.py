"""A rough capacity of a pack that is never used down to the lower knee."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.estimate import Estimate, around, unknown
from analysis.facts import PackFacts
from analysis.history import History
from analysis.packs.capacity import Capacity, Pair
from analysis.packs.closure import Zero
from analysis.packs.ocv import MeanCurve
from analysis.packs.part_capacity import near_empty, part_capacity
from sample_data.cell import graphite
from tests.analysis.holding import holds, number

HISTORY = History.of(PackFacts("A", rated_ah=280.0), [])


def known(pairs: tuple[Pair, ...] = (), usable: Estimate | None = None) -> Capacity:
    none = unknown("Ah", "the pack was never used down to the lower knee")
    value = none if usable is None else usable
    return Capacity(value, value, unknown("°C", "none"), Zero(0.0, 0.05, "told"), pairs)


def used_down_to(
    left: float, *, full_x: float = 0.80, empty_x: float = 0.012, lost: float = 0.0
) -> MeanCurve:
    """The curve of cells of 280 Ah when new, of which lithium is lost, used until a part is left. [1]"""
    ah_per_x = 280.0 / (full_x - empty_x)
    held = 280.0 * (1 - lost)
    below = np.arange(1.4, held - left * 280.0, 2.8)
    x = empty_x + (held - below) / ah_per_x
    volts = 3.41 - graphite(x) - 0.008  # the discharge branch
    return MeanCurve("discharge", tuple(below.tolist()), tuple(volts.tolist()), 20)


@pytest.mark.parametrize("full_x", [0.76, 0.80, 0.90])
@pytest.mark.parametrize("lost", [0.0, 0.08, 0.15])
def test_what_is_left_on_the_slope_is_graphite_s(full_x: float, lost: float) -> None:
    found = part_capacity(HISTORY, known(), (used_down_to(0.18, full_x=full_x, lost=lost),), ())
    assert holds(found.usable, 280.0 * (1 - lost))
    assert number(found.usable) == pytest.approx(280.0 * (1 - lost), rel=0.07)
    assert found.pairs == ()
    assert "no low knee" in found.usable.basis
    assert number(found.of_rated) == pytest.approx(number(found.usable) / 280.0)


def test_the_first_empty_cell_ends_it() -> None:
    curve = (used_down_to(0.18),)
    ordinary = [around(0.1 * k - 0.8, 1.0, "Ah", basis="made") for k in range(15)]
    even = part_capacity(HISTORY, known(), curve, [*ordinary, around(0.0, 1.0, "Ah", basis="made")])
    weak = part_capacity(HISTORY, known(), curve, [*ordinary, around(22.0, 3.0, "Ah", basis="made")])
    assert number(even.usable) - number(weak.usable) == pytest.approx(22.0 - 0.6)


def test_a_cell_behind_at_the_top_is_so_near_empty_where_nothing_compares_it_there() -> None:
    # ± 4 Ah at the top and 0.6 % of 280 Ah between cells: √(4² + (1.96 × 1.68)²) = 5.18 Ah, by hand
    unsaid, far = unknown("Ah", "made"), Estimate(21.0, "Ah", 17.0, 25.0, "made", 9)
    found = near_empty(unsaid, far, 280.0)
    assert (found.value, found.low, found.high) == pytest.approx((21.0, 15.82, 26.18), abs=0.01)
    compared = Estimate(18.0, "Ah", 12.0, 24.0, "made", 9)
    assert near_empty(compared, far, 280.0) is compared
    assert near_empty(unsaid, Estimate(0.3, "Ah", -0.2, 0.8, "made", 9), 280.0) is unsaid


def test_a_plateau_tells_nothing_and_a_counted_capacity_stays() -> None:
    high = part_capacity(HISTORY, known(), (used_down_to(0.45),), ())
    assert high.usable.value is None
    assert "lower knee" in high.usable.reason
    counted = known(usable=around(271.0, 4.0, "Ah", basis="runs"))
    assert part_capacity(HISTORY, counted, (used_down_to(0.18),), ()) is counted
