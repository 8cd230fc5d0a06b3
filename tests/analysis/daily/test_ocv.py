"""Calm stretches of made-up days whose curve and resistance are known."""

from __future__ import annotations

import numpy as np
import pytest

from analysis import codec
from analysis.daily.hygiene import clean
from analysis.daily.ocv import NOTHING, observe_ocv
from analysis.day import CleanDay
from analysis.digest import digest
from analysis.facts import PackFacts
from analysis.frame import F64
from tests.analysis import made


def stepped(soc: F64) -> F64:
    """Two plateaus with a step at 70 %, and knees."""
    top = 0.16 * np.exp((soc - 1.0) / 0.01)
    return 3.312 + 0.015 * np.tanh((soc - 0.70) / 0.05) + 0.02 * (soc - 0.7) + top - 0.3 * np.exp(-soc / 0.02)


@pytest.fixture
def calm_day(monkeypatch: pytest.MonkeyPatch) -> CleanDay:
    """From 98 % down through the step at 12 A with ripple, in one day; then back at 25 A."""
    monkeypatch.setattr(made, "ocv", stepped)
    pack = made.Pack(soc=0.98, n_cells=8, spread=(0.0, 0.0, 0.0, 0.0, 0.0, -0.02, 0.0, 0.0))
    n = 8640
    hour = np.arange(n) / 360
    ripple = 4.0 * np.sign(np.sin(hour * 9.0))
    amps = np.where(hour < 13, -12.0 + ripple, np.where(hour < 14, 0.0, np.where(hour < 18, 25.0, 0.0)))
    return clean(pack.frame(0, amps), PackFacts("A", n_cells=8))


def test_pieces_in_both_directions(calm_day: CleanDay) -> None:
    found = observe_ocv(calm_day)
    assert [f.direction for f in found.fragments] == ["discharge", "charge"]
    down = found.fragments[0]
    assert down.mean_a == pytest.approx(-12.0, abs=0.6)
    soc = 0.98 + (down.first_ah + (np.arange(len(down.volts), dtype=float) + 0.5) * down.bin_ah) / 280.0
    # the curve comes back, and the load of 12 A × 0.5 mΩ = 6 mV is gone
    inner = slice(3, -3)
    assert np.array(down.volts)[inner] == pytest.approx(stepped(soc)[inner], abs=2.5e-3)
    assert found.graphite.resolution_v == pytest.approx(0.001)
    assert found.graphite.spans == pytest.approx((0.553, 0.357), abs=0.03)


def test_the_step_is_where_it_was_put(calm_day: CleanDay) -> None:
    found = observe_ocv(calm_day)
    down = next(s for s in found.graphite.steps if s.direction == "discharge")
    assert down.kind == "upper"
    assert down.charge_ah == pytest.approx((0.70 - 0.98) * 280.0, abs=2.5)
    assert down.mark.ah == pytest.approx(down.charge_ah, abs=0.5)
    cells = np.array(found.fragments[0].cells_ah)
    assert cells[5] == pytest.approx(0.02 * 280, abs=1.5)  # it holds 2 % less: passes that much earlier
    assert np.abs(np.delete(cells, 5)).max() < 1.5


def test_the_core_stays_small(calm_day: CleanDay) -> None:
    kept = digest(calm_day.frame, calm_day.facts)
    assert kept.graphite.steps
    assert len(codec.encode(kept, ("graphite",))) <= 400


def test_nothing_qualifies() -> None:
    pack = made.Pack(soc=0.6)
    still = clean(pack.frame(0, np.zeros(8640)), made.FACTS)
    assert observe_ocv(still).fragments == ()
    wild = clean(made.Pack(soc=0.9).frame(0, np.tile([-100.0, 90.0], 4320)), made.FACTS)
    assert observe_ocv(wild).fragments == ()
    empty = clean(made.Pack().frame(0, np.zeros(0)), made.FACTS)
    assert observe_ocv(empty) == NOTHING
    without = clean(made.Pack(n_cells=0).frame(0, np.full(8640, -10.0)), made.FACTS)
    assert observe_ocv(without) == NOTHING


def test_a_gap_ends_a_stretch(calm_day: CleanDay) -> None:
    frame = calm_day.frame
    keep = (frame.time_s < frame.start_s + 5 * 3600) | (frame.time_s > frame.start_s + 8 * 3600)
    cut = clean(frame.only(keep), calm_day.facts)
    ways = [f.direction for f in observe_ocv(cut).fragments]
    assert ways == ["discharge", "discharge", "charge"]
