from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from analysis.daily.hygiene import clean
from analysis.daily.taps import observe_taps, resolution
from analysis.day import CleanDay
from analysis.frame import F32
from tests.analysis import made


def day(change: Callable[[F32], None] | None = None) -> CleanDay:
    pack = made.Pack(period_s=30.0, noise_v=0.0008)
    frame = pack.frame(0, made.day_current(pack))
    if change is None:
        return clean(frame, made.FACTS)
    cells = frame.cells_v.copy()
    change(cells)
    return clean(replace(frame, cells_v=cells), made.FACTS)


def test_ordinary_readings() -> None:
    found = observe_taps(day())
    assert max(found.noise_v) < 0.002
    assert max(found.still_s) == 0.0
    assert max(found.missing) == 0.0


def test_a_noisy_reading_stands_out() -> None:
    rng = np.random.default_rng(2)

    def harm(cells: F32) -> None:
        cells[4] += 0.02 * rng.standard_normal(cells[4].size).astype(np.float32)

    found = observe_taps(day(harm))
    assert found.noise_v[4] == pytest.approx(0.02, rel=0.25)
    assert found.noise_v[4] > 6 * np.median(found.noise_v)


def test_a_reading_that_stands_still_while_the_others_move() -> None:
    def harm(cells: F32) -> None:
        cells[7, 500:2000] = 3.3

    found = observe_taps(day(harm))
    assert found.still_s[7] == pytest.approx(1500 * 30, rel=0.02)
    assert sum(found.still_s) == found.still_s[7]


def test_resolution_is_the_smallest_step() -> None:
    rng = np.random.default_rng(3)
    cells = (np.round(3.3 + 0.02 * rng.standard_normal((4, 500)), 2)).astype(np.float32)
    assert resolution(cells) == pytest.approx(0.01, abs=1e-4)


def test_nothing_is_said_of_an_empty_day() -> None:
    pack = made.Pack()
    assert observe_taps(clean(pack.frame(0, np.empty(0)), made.FACTS)).noise_v == ()
