"""Live warnings. Thresholds are `common practice, no source`; the expected moments are counted by hand."""

from __future__ import annotations

from typing import Any

import pytest

from analysis.facts import PackFacts
from logger.alerts.watch import KINDS, Watcher
from logger.settings import Watch


def reading(**changes: int) -> dict[str, int]:
    values = {f"cell_{i:02d}_v": 3340 for i in range(1, 17)}
    values |= {"pack_a": 0, "temp_1": 150, "temp_2": 150, "temp_3": 150, "temp_4": 150, "heater_on": 0}
    return values | changes


def watcher(**settings: Any) -> Watcher:
    return Watcher({"A": PackFacts("A")}, Watch(**settings))


def raised(w: Watcher, values: dict[str, int], seconds: int, start: int = 0) -> list[tuple[str, bool, float]]:
    out = []
    for second in range(start, start + seconds):
        out += [(a.kind, a.active, a.time_s) for a in w.reading("A", float(second), values)]
    return out


def test_a_healthy_pack_raises_nothing() -> None:
    assert raised(watcher(), reading(), 600) == []


def test_a_cell_nearing_the_trip_raises_after_five_seconds_and_clears_with_hysteresis() -> None:
    w = watcher()
    high = reading(cell_07_v=3580)
    assert raised(w, high, 20) == [("cell_high", True, 5.0)]
    assert raised(w, reading(cell_07_v=3560), 100, start=20) == [("top_spread", True, 30.0)]
    assert ("cell_high", False, 150.0) in raised(w, reading(cell_07_v=3500), 60, start=120)


def test_low_cell() -> None:
    assert raised(watcher(), reading(cell_02_v=2790), 10) == [("cell_low", True, 5.0)]


def test_charging_a_cold_bank_needs_both_cold_and_current() -> None:
    assert raised(watcher(), reading(temp_3=0), 60) == []
    assert raised(watcher(), reading(pack_a=2000), 60) == []
    assert raised(watcher(), reading(temp_3=0, pack_a=2000), 60) == [("cold_charge", True, 30.0)]


def test_sensors_that_are_not_on_cells_do_not_count_as_cells() -> None:
    assert raised(watcher(), reading(temp_5=-150, pack_a=2000), 60) == []


def test_a_heater_that_warms_nothing_is_told_after_its_time() -> None:
    w = watcher(heater_minutes=10)
    assert raised(w, reading(heater_on=1, temp_1=-40), 660) == [("heater_no_rise", True, 600.0)]
    assert raised(w, reading(heater_on=0, temp_1=-40), 5, start=660) == [("heater_no_rise", False, 660.0)]


def test_a_heater_that_warms_is_left_alone() -> None:
    w = watcher(heater_minutes=10)
    for minute in range(120):
        warming = reading(heater_on=1, temp_1=-40 + minute)  # 0.1 °C a minute
        assert raised(w, warming, 1, start=60 * minute) == []


def test_the_packs_own_protection_is_passed_on() -> None:
    assert raised(watcher(), reading(protections=5), 5) == [("protection", True, 2.0)]


def test_the_packs_own_warnings_come_with_their_names() -> None:
    w = Watcher({"A": PackFacts("A")}, Watch(), bit_names={"A": {"warnings": {3: "too cold to charge"}}})
    told = [a for second in range(20) for a in w.reading("A", float(second), reading(warnings=0b1001))]
    assert [(a.kind, a.severity, a.time_s) for a in told] == [("pack_warning", "watch", 10.0)]
    assert told[0].text == "the pack reports warnings: bit 0, too cold to charge"


def test_missing_channels_raise_nothing() -> None:
    assert raised(watcher(), {"pack_v": 5300}, 60) == []
    assert watcher().reading("somebody else", 0.0, reading()) == []


def test_a_silent_source_is_told_once_and_its_return_too() -> None:
    w = Watcher({}, Watch(silent_s=60), sources=("bus",))
    told = [a for second in range(0, 300, 5) for a in w.tick(float(second))]
    assert [(a.kind, a.subject, a.active, a.time_s) for a in told] == [("silent", "bus", True, 60.0)]
    for second in range(300, 330, 5):
        w.heard("bus", float(second))
        told += w.tick(float(second))
    assert [a.active for a in told] == [True, False]
    assert w.standing == []


def test_disk_and_clock() -> None:
    w = Watcher({}, Watch(disk_free_mb=500))
    assert [a.kind for a in w.tick(0.0, free_bytes=400_000_000)] == ["disk"]
    assert w.tick(10.0, free_bytes=550_000_000) == []
    assert w.tick(20.0, free_bytes=700_000_000) == []
    assert [a.active for a in w.tick(80.0, free_bytes=700_000_000)] == [False]
    assert w.tick(90.0, clock_trusted=False) == []
    assert [a.kind for a in w.tick(690.0, clock_trusted=False)] == ["clock"]


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_has_its_sentence(kind: str) -> None:
    assert len(KINDS[kind]) > 10
