"""A cell's own knee as a measure, and cells that already come to their limits."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from analysis.cells.causes_charge import scatter_of
from analysis.cells.limits import reached
from analysis.cells.offsets import OWN, collect, left_at
from analysis.daily.balancing import Balancing
from analysis.daily.knees import KneeDay, KneePass
from analysis.day import Mark
from analysis.facts import PackFacts
from analysis.history import History

HOUR = 3600.0


def mark(time_s: float, ah: float) -> Mark:
    return Mark(time_s, max(ah, 0.0), max(-ah, 0.0), 0.0, 0.0, time_s)


def window(where: str, sign: int, extreme_v: tuple[float, ...], end: Mark) -> KneePass:
    n = len(extreme_v)
    zero, nan = (0.0,) * n, (float("nan"),) * n
    return KneePass(
        where, sign, end, end, 20.0, 0.0, 0.0, 0.1, zero, (0.5,) * n, nan, nan, zero, zero, extreme_v, (), ()
    )  # fmt: skip


@dataclass
class Made:
    """As much of a history as the functions look at."""

    digests: tuple[SimpleNamespace, ...]
    full: tuple[Mark, ...] = ()
    facts: PackFacts = field(default_factory=lambda: PackFacts("A"))

    def anchors(self, _kind: str) -> list[SimpleNamespace]:
        return [SimpleNamespace(mark=m) for m in self.full]

    def at(self, _index: int, one: Mark) -> Mark:
        return one


def day(name: str, *passes: KneePass) -> SimpleNamespace:
    knees = KneeDay(passes, 0.4e-3, Balancing("none", (), ()))
    return SimpleNamespace(day=name, n_cells=4, knees=knees)


def test_charge_left_is_read_off_the_knee() -> None:
    # rows of the table, and half way between 3.10 V (4.2 %) and 3.00 V (2.4 %)
    assert left_at(np.array([3.10, 3.05, 2.50])) == pytest.approx([0.042, 0.033, 0.0])


def test_a_cell_that_ran_empty_tells_its_offset_and_deficit_together() -> None:
    # full at 0 Ah, cell 2 at 3.00 V after 200 Ah of 280: 280 − 0.024 × 280 − 200 = 73.28 Ah, by hand
    low = window("bottom", -1, (3.21, 3.00, 3.22, 3.20), mark(10 * HOUR, -200.0))
    made = Made((day("2026-01-01", low),), full=(mark(0.0, 0.0),))
    found = collect(cast("History", made))
    rows = found.group == OWN
    assert rows.sum() == 1
    assert found.dq_ah[rows][0, 1] == pytest.approx(73.28)
    assert np.isnan(found.dq_ah[rows][0, [0, 2, 3]]).all()
    # 30 % of 6.72 Ah left, 0.08 A for 10 h, 0.3 Ah: √(2.016² + 0.8² + 0.3²) = 2.190 Ah, by hand
    assert found.sigma_ah[rows][0, 1] == pytest.approx(2.190, abs=0.001)


def test_without_a_full_charge_nearby_an_empty_cell_tells_nothing() -> None:
    low = window("bottom", -1, (3.21, 3.00, 3.22, 3.20), mark(10 * HOUR, -200.0))
    made = Made((day("2026-01-01", low),), full=(mark(-4 * 24 * HOUR, 0.0),))
    assert not (collect(cast("History", made)).group == OWN).any()


def test_cells_that_end_charges_are_counted_by_day() -> None:
    high = window("top", 1, (3.45, 3.64, 3.44, 3.45), mark(0.0, 0.0))
    calm = window("top", 1, (3.45, 3.46, 3.44, 3.45), mark(0.0, 0.0))
    empty = window("bottom", -1, (3.1, 3.1, 2.55, 3.1), mark(0.0, 0.0))
    made = Made((day("2026-01-01", high, high), day("2026-01-02", calm, empty), day("2026-01-03", high)))
    found = reached(cast("History", made))
    assert [(r.cell, r.high, r.days, r.alone, r.last) for r in found] == [
        (2, True, 2, 0, "2026-01-03"),
        (3, False, 1, 0, "2026-01-02"),
    ]


def test_a_cell_at_its_limit_with_the_others_on_the_plateau_stands_alone() -> None:
    lone = window("middle", 1, (3.36, 3.64, 3.37, 3.36), mark(0.0, 0.0))
    made = Made(tuple(day(f"2026-01-{d:02d}", lone) for d in range(1, 13)))
    assert [(r.cell, r.days, r.alone) for r in reached(cast("History", made))] == [(2, 12, 12)]


def test_a_cell_far_ahead_of_the_plateau_counts_though_its_limit_fell_between_two_readings() -> None:
    lone = window("middle", 1, (3.36, 3.56, 3.37, 3.36), mark(0.0, 0.0))
    near = window("top", 1, (3.44, 3.56, 3.45, 3.46), mark(0.0, 0.0))
    made = Made((*(day(f"2026-01-{d:02d}", lone) for d in range(1, 12)), day("2026-01-12", near)))
    found = reached(cast("History", made))
    assert [(r.cell, r.days, r.alone, r.last) for r in found] == [(2, 0, 11, "2026-01-11")]


def test_scatter_is_that_of_the_other_cells() -> None:
    # others −2, −1, 0, 1, 2: median 0, median deviation 1, times 1.4826
    assert scatter_of([-2.0, -1.0, 9.0, 0.0, 1.0, 2.0, None], 9.0) == pytest.approx(1.4826)
    assert scatter_of([1.0, 2.0, 9.0], 9.0) == 0.0


@pytest.mark.parametrize(("median_v", "told"), [(3.45, -4.2), (3.38, -9.0)])
def test_no_cell_is_further_ahead_than_a_full_one_leaves_room_for(median_v: float, told: float) -> None:
    # 1.5 % of 280 Ah are 4.2 Ah; where the median cell is not full, cell 2 may be as far ahead as it seems
    end = mark(0.0, 0.0)
    shape = (3.34, median_v, 3.60), (-20.0, 0.0, 8.0)
    seen = replace(
        window("top", 1, (3.45, 3.60, 3.44, 3.46), end), dq_ah=(0.0, -9.0, -2.0, 3.0), sigma_ah=(0.4,) * 4,
        curve_v=shape[0], curve_ah=shape[1],
    )  # fmt: skip
    found = collect(cast("History", Made((day("2026-01-01", seen),))))
    assert found.dq_ah[0].tolist() == pytest.approx([0.0, told, -2.0, 3.0])
    assert found.sigma_ah[0, 1] == pytest.approx(4.2 if told == -4.2 else 0.4)
    assert found.most_ah[0, 1] == (0.0 if told == -4.2 else np.inf)
