from __future__ import annotations

import logging

import pytest

from adapters.base import Subject
from analysis.facts import PackFacts
from logger.alerts.alarms import Alarms
from logger.alerts.notify import Notifier
from logger.alerts.watch import Alert, Watcher
from logger.record.store_types import Stamped
from logger.recording.recorder_events import Waiting
from logger.settings import Watch

HIGH = {f"cell_{i:02d}_v": 3400 for i in range(1, 17)} | {"cell_07_v": 3600}
LOW = {f"cell_{i:02d}_v": 3300 for i in range(1, 17)}


class Keeper:
    def __init__(self) -> None:
        self.begun: list[Waiting] = []
        self.ended: list[Waiting] = []

    def note(self, kind: str, detail: str, subject: str = "") -> Waiting:
        self.begun.append(Waiting(kind, detail, subject, 0, None))
        return self.begun[-1]

    def note_over(self, waiting: Waiting) -> None:
        self.ended.append(waiting)


class Broker:
    def __init__(self) -> None:
        self.alerts: list[Alert] = []
        self.readings = 0

    def reading(self, _subject: str, _time_s: float, _values: object) -> None:
        self.readings += 1

    def alert(self, alert: Alert) -> None:
        self.alerts.append(alert)


def stamped(second: int, values: dict[str, int], kind: str = "pack") -> Stamped:
    return Stamped(Subject("A", "witness" if kind == "witness" else "pack"), second * 1000, values)


def test_a_warning_reaches_journal_record_and_broker_and_ends_again(caplog: pytest.LogCaptureFixture) -> None:
    keeper, broker = Keeper(), Broker()
    alarms = Alarms(Watcher({"A": PackFacts("A")}, Watch(top_spread_v=1.9)), Notifier([]), broker)
    alarms.recorder = keeper
    with caplog.at_level(logging.WARNING):
        for second in range(10):
            alarms.reading(stamped(second, HIGH))
        for second in range(10, 60):
            alarms.reading(stamped(second, LOW))
    assert [w.kind for w in keeper.begun] == ["warning_cell_high"]
    assert keeper.ended == keeper.begun
    assert "cell 7 at 3.600 V" in caplog.text
    assert [a.active for a in broker.alerts] == [True, False]
    assert broker.readings == 60


def test_switched_off_it_still_publishes() -> None:
    broker = Broker()
    alarms = Alarms(None, Notifier([]), broker)
    alarms.reading(stamped(0, HIGH))
    alarms.tick(0.0, 0, clock_trusted=False)
    assert (broker.readings, broker.alerts) == (1, [])


def test_a_witness_keeps_silence_away_but_has_no_cells_to_watch() -> None:
    keeper = Keeper()
    alarms = Alarms(Watcher({"A": PackFacts("A")}, Watch(), ("A",)), Notifier([]))
    alarms.recorder = keeper
    for second in range(300):
        alarms.reading(stamped(second, {"dc_v": 5300}, "witness"))
        alarms.tick(float(second), 10**12, clock_trusted=True)
    assert keeper.begun == []
