"""Facts of the trade: what a person beside such a bank knows by heart. Common practice, no source."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.facts import PackFacts
from analysis.packs.captest import CapReading, CapState, advance
from analysis.stats.rainflow import closed_cycles, half_cycles
from analysis.thresholds import TABLE


def nightly(cycles: int) -> float:
    """Equivalent full cycles of nights from 100 to 20 % and back."""
    series = np.array([1.0, 0.2] * cycles + [1.0])
    count = closed_cycles(series)
    halves, _ = half_cycles(count.residual)
    return float(count.ranges.sum() + 0.5 * halves.sum())


def test_a_night_is_eight_tenths_of_a_cycle() -> None:
    assert nightly(1) == pytest.approx(0.8)
    assert nightly(6) == pytest.approx(4.8)


def test_no_charge_at_or_below_freezing() -> None:
    assert PackFacts("A").charge_floor_c == 0.0


def test_a_full_pack_is_the_start_of_a_test() -> None:
    state = CapState()
    for k in range(30):
        state = advance(state, CapReading(10.0 * k, 2.0, 55.4, 3.46, 3.45, 20.0), PackFacts("A")).state
    assert state.phase == "settle"


def test_every_limit_says_where_it_is_from() -> None:
    assert all(row.source and row.meaning and row.unit for row in TABLE)
    assert len({row.name for row in TABLE}) == len(TABLE)


def test_limits_rise_with_gravity() -> None:
    value = {row.name: row.value for row in TABLE}
    for name, size in value.items():
        for lower, higher in (("_note_", "_watch_"), ("_watch_", "_act_")):
            other = value.get(name.replace(lower, higher)) if lower in name else None
            if other is not None and not name.startswith("trip"):
                assert size < other, name
