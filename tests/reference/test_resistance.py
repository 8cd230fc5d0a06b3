"""Direct-current resistance by two levels of discharge, against the figure one gets by hand."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.daily.grid import gridded
from analysis.daily.hygiene import clean
from analysis.daily.steps import find_steps, observe_steps
from analysis.facts import PackFacts
from analysis.frame import Frame


def two_levels(cells: int = 4, repeats: int = 12) -> Frame:
    """56 A with the cells at 3.280 V, then at once 280 A with the cells at 3.238 V, again and again."""
    held = 12
    amps = np.tile(np.repeat([-56.0, -280.0], held), repeats)
    volts = np.tile(np.repeat([3.280, 3.238], held), repeats)
    noise = 2e-5 * np.random.default_rng(8).standard_normal(
        (cells, amps.size)
    )  # frames that repeat are stuck
    rows = (volts + noise).astype(np.float32)
    return Frame(
        "A", "1970-01-01", 0.0, 86400.0, 0, np.arange(0, 10.0 * amps.size, 10), rows.sum(axis=0),
        amps.astype(np.float32), rows, np.full((4, amps.size), 25.0, np.float32), {},
    )  # fmt: skip


def test_two_level_discharge() -> None:
    # R = (U1 - U2) / (I2 - I1), the form of IEC 61960-3: (3.280 - 3.238) / (280 - 56) = 0.1875 mOhm, by hand.
    facts = PackFacts("A", n_cells=4, rated_ah=280.0)
    day = clean(two_levels(), facts)
    found = observe_steps(day)
    assert found.resistance_ohm == pytest.approx(0.1875e-3, rel=1e-3)
    assert found.excess_ohm == pytest.approx((0.0,) * 4, abs=1e-7)
    grid = gridded(day)
    at = find_steps(grid, facts.rated_ah)
    assert at.size == found.n == 23
    middle = np.median(grid.cells_v, axis=0)
    single = (middle[at + 2] - middle[at]) / (grid.current_a[at + 2] - grid.current_a[at])
    assert single == pytest.approx(np.full(at.size, 0.1875e-3), rel=2e-3)
