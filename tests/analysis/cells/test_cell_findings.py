"""From frames to findings, on made-up packs whose truth is known."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import TypeAlias

import numpy as np
import pytest

from analysis.cells.causes_apart import spreads
from analysis.cells.causes_charge import closing, drift_odds, leak, offset
from analysis.cells.cell_findings import cell_findings
from analysis.cells.imbalance import CellImbalance, imbalance
from analysis.cells.resistance import resistance
from analysis.digest import digest
from analysis.estimate import Estimate
from analysis.facts import PackFacts
from analysis.finding import Finding
from analysis.frame import Frame
from analysis.history import History
from analysis.thresholds import DEFAULT
from tests.analysis import made
from tests.analysis.holding import holds, number

FACTS = PackFacts("A")
DAYS = 24
Harm: TypeAlias = Callable[[int, made.Pack, Frame], Frame]


def history(*, change: Harm | None = None, days: int = DAYS) -> History:
    """Days of a bank with steps of load; `change(day, pack, frame)` does the harm."""
    rng = np.random.default_rng(5)
    spread = tuple(0.0008 * rng.standard_normal(16))
    pack = made.Pack(period_s=60.0, spread=spread)
    digests = []
    for day in range(days):
        current = made.day_current(pack)
        load = np.repeat(rng.choice([0.0, -30.0], size=48, p=[0.7, 0.3]), 30)
        frame = pack.frame(day, np.where(current > 0, current, current + load * (current < 0)))
        if change is not None:
            frame = change(day, pack, frame)
        digests.append(digest(frame, FACTS))
    return History.of(FACTS, digests)


def leaking(cell: int, part_a_day: float) -> Harm:
    def change(_day: int, pack: made.Pack, frame: Frame) -> Frame:
        moved = list(pack.spread)
        moved[cell - 1] -= part_a_day
        pack.spread = tuple(moved)
        return frame

    return change


def serious(found: Iterable[Finding]) -> list[tuple[str, int | None]]:
    return [(f.kind, f.cell) for f in found if f.severity != "note"]


@pytest.fixture(scope="module")
def healthy() -> History:
    return history()


def test_a_healthy_pack_has_no_serious_finding(healthy: History) -> None:
    assert serious(cell_findings(healthy)) == []
    assert all(abs(number(c.leak)) < 2.0 for c in imbalance(healthy).cells)


def test_a_leaking_cell_is_named_with_its_current() -> None:
    # 0.0016 of 280 Ah a day is 0.448 Ah a day, 18.7 mA, by hand
    found = cell_findings(history(change=leaking(7, 0.0016)))
    assert serious(found)[0] == ("self_discharge", 7)
    first = found[0]
    assert holds(first, 18.7)
    assert first.confidence > 0.7
    assert first.forecast is not None
    assert first.evidence[0].startswith("For:")


def test_a_cell_that_stands_apart_and_drifts_is_not_said_to_stay() -> None:
    bank = history(change=leaking(7, 0.0016))
    pack = imbalance(bank)
    one = pack.cells[6]
    assert one.drift is not None
    flat = replace(one.drift, flat_loss=one.drift.onset_loss, line_loss=one.drift.onset_loss)
    vague = replace(
        one, leak=Estimate(44.5, "mA", 24.0, 76.0), drift=flat
    )  # 3.35 standard deviations, by hand
    assert leak(bank, pack, vague, DEFAULT) is None
    found = leak(bank, pack, vague, DEFAULT, stands=True)
    assert found is not None
    assert found.confidence <= 0.7
    still = replace(vague, leak=Estimate(44.5, "mA", -1.0, 76.0))
    assert leak(bank, pack, still, DEFAULT, stands=True) is None


def test_a_cell_that_fits_drifting_better_than_standing_is_said_to_drift() -> None:
    bank = history(change=leaking(7, 0.0016))
    pack = imbalance(bank)
    one = pack.cells[6]
    assert one.drift is not None
    # 8 ± 2.8 mA: 2.9 standard deviations, not sure by itself; ln(100 / (√τ × 2.8)) = 2.66, by hand
    vague = Estimate(8.0, "mA", 2.5, 13.5)
    drift = replace(one.drift, line_loss=100.0, onset_loss=100.0, chi2=1.0)
    gained = {
        gain: replace(one, leak=vague, drift=replace(drift, flat_loss=100.0 + gain)) for gain in (10.0, 40.0)
    }
    assert drift_odds(gained[40.0]) == pytest.approx(40 / 8 - 2.66, abs=0.02)
    assert leak(bank, pack, gained[10.0], DEFAULT, stands=True) is None
    found = leak(bank, pack, gained[40.0], DEFAULT, stands=True)
    assert found is not None
    assert 0.7 <= found.confidence <= 0.85


def test_cells_that_come_back_after_delivery_are_not_drifting_apart() -> None:
    # six cells start 0.9 to 1.6 % apart and lose a fifteenth of it a day, as balancing does it
    def change(_day: int, pack: made.Pack, frame: Frame) -> Frame:
        pack.spread = tuple(14 / 15 * x for x in pack.spread)
        return frame

    def delivered(_day: int, pack: made.Pack, frame: Frame) -> Frame:
        if _day == 0:
            away = (0.016, -0.012, 0.012, -0.014, 0.009, -0.013)
            pack.spread = away + tuple(pack.spread[6:])
        return change(_day, pack, frame)

    bank = history(change=delivered, days=12)
    pack = imbalance(bank)
    assert closing(list(pack.cells))
    found = cell_findings(bank)
    assert "balancing_behind" not in {f.kind for f in found}
    assert serious(found) == []


def test_a_larger_cell_that_is_behind_at_the_top_alone_is_only_noted() -> None:
    bank = history(change=leaking(7, 0.0016))
    pack = imbalance(bank)

    def standing(deficit: Estimate, bottom: Estimate) -> CellImbalance:
        return replace(pack.cells[6], top=Estimate(4.8, "Ah", 3.9, 5.7), deficit=deficit, bottom=bottom)

    even = standing(Estimate(0.0, "Ah", -4.0, 4.0), Estimate(4.8, "Ah", 0.8, 8.8))
    more = standing(Estimate(-6.5, "Ah", -10.5, -2.5), Estimate(-1.7, "Ah", -5.3, 1.9))
    found, larger = offset(bank, pack, even, DEFAULT), offset(bank, pack, more, DEFAULT)
    assert found is not None
    assert larger is not None
    assert found.level == "watch"  # 4.8 of 280 Ah, certainly more than 1.2 %
    assert larger.level == "note"
    assert "6.5 Ah (95 %: 2.5 to 10.5)" in " ".join(larger.evidence)


def test_one_cell_far_behind_is_not_a_pack_that_drifts_apart() -> None:
    pack = imbalance(history(change=leaking(7, 0.0040)))
    apart_ah = max(number(c.top) for c in pack.cells)
    assert apart_ah > 0.024 * 280  # further than all together may stand apart
    assert not spreads(list(pack.cells), DEFAULT, 280.0)


def test_a_reading_error_that_moves_has_to_move_the_sum() -> None:
    # cell 9 reads ever lower, as one that leaks does, and the pack's voltage has always read 15 mV too much
    def change(day: int, _pack: made.Pack, frame: Frame) -> Frame:
        cells = frame.cells_v.copy()
        cells[8] -= np.float32(0.0012 * day)
        if with_the_sum:
            return replace(frame, cells_v=cells)
        return replace(frame, cells_v=cells, pack_v=(cells.sum(axis=0) + 0.015).astype(np.float32))

    with_the_sum = False
    assert (9, "sense_lead") not in {(f.cell, f.kind) for f in cell_findings(history(change=change))}
    with_the_sum = True
    assert (9, "sense_lead") in {(f.cell, f.kind) for f in cell_findings(history(change=change))}


def test_a_shared_sense_lead_shows_in_two_neighbours() -> None:
    def change(_day: int, _pack: made.Pack, frame: Frame) -> Frame:
        cells = frame.cells_v.copy()
        cells[4] += 0.03
        cells[5] -= 0.03
        return replace(frame, cells_v=cells)

    found = cell_findings(history(change=change, days=12))
    assert serious(found) == [("sense_lead", 5)]
    assert found[0].value == pytest.approx(0.03, abs=0.003)


def test_a_stuck_reading_is_a_reading_not_a_cell() -> None:
    def change(day: int, _pack: made.Pack, frame: Frame) -> Frame:
        cells = frame.cells_v.copy()
        if day > 6:
            cells[9] = np.float32(3.311)
        return replace(frame, cells_v=cells)

    found = cell_findings(history(change=change, days=14))
    assert serious(found) == [("sense_lead", 10)]


def test_a_higher_resistance_is_measured() -> None:
    def change(_day: int, _pack: made.Pack, frame: Frame) -> Frame:
        cells = frame.cells_v.copy()
        cells[2] += np.float32(0.35e-3) * frame.pack_a
        return replace(frame, cells_v=cells)

    bank = history(change=change, days=16)
    cell = resistance(bank).cells[2]
    assert cell.measured.value == pytest.approx(0.35e-3, rel=0.06)
    kinds = {f.kind for f in cell_findings(bank) if f.cell == 3}
    assert kinds & {"high_resistance", "loose_link"}  # purely ohmic: the two cannot be told apart here


def test_an_empty_history_finds_nothing() -> None:
    empty = History.of(FACTS, [])
    assert cell_findings(empty) == ()
    assert imbalance(empty).cells == ()
