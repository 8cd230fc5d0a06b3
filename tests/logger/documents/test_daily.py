from __future__ import annotations

import asyncio
import logging
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest

from logger.alerts.notify import Notifier
from logger.documents.daily import Daily, Found, process
from logger.record.store import Store

LEAK = {
    "kind": "self_discharge", "pack": "B", "cell": 11, "severity": "watch", "value": 21.0, "unit": "mA",
    "meaning": "It leaks.", "check_next": "Look.",
}  # fmt: skip


class Board:
    def __init__(self) -> None:
        self.shown: dict[str, list[Mapping[str, object]]] = {}

    def findings(self, pack: str, found: Sequence[Mapping[str, object]]) -> None:
        self.shown[pack] = list(found)


class Compute:
    def __init__(self, *answers: Found | Exception) -> None:
        self.answers, self.asked = list(answers), 0

    async def __call__(self) -> Found:
        self.asked += 1
        answer = self.answers.pop(0)
        if isinstance(answer, Exception):
            raise answer
        return answer


def nights(monkeypatch: pytest.MonkeyPatch, daily: Daily, *days: str | None) -> None:
    for day in days:
        monkeypatch.setattr("logger.documents.daily.newest_sealed", lambda _store, day=day: day)
        asyncio.run(daily.look(None, 1.0))  # type: ignore[arg-type]  # the store is only asked for its newest day


def test_new_findings_are_told_once_and_published(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    heard: list[str] = []
    notifier = Notifier([lambda alert: heard.append(alert.text)])
    notifier.start()
    board, compute = Board(), Compute([LEAK], [LEAK], [])
    daily = Daily(("A", "B"), compute, notifier, board)
    with caplog.at_level(logging.WARNING):
        nights(monkeypatch, daily, None, "2026-01-01", "2026-01-01", "2026-01-02")
    notifier.close()
    assert compute.asked == 2
    assert heard == ["pack B, cell 11: It leaks. Check next: Look."]
    assert caplog.text.count("self discharge") == 1
    assert board.shown == {"A": [], "B": [LEAK], "bank": []}
    nights(monkeypatch, daily, "2026-01-03")
    assert board.shown["B"] == []


def test_a_note_is_logged_but_nobody_is_woken(monkeypatch: pytest.MonkeyPatch) -> None:
    heard: list[str] = []
    notifier = Notifier([lambda alert: heard.append(alert.text)])
    notifier.start()
    nights(monkeypatch, Daily(("B",), Compute([LEAK | {"severity": "note"}]), notifier), "2026-01-01")
    notifier.close()
    assert heard == []


def test_a_failure_is_logged_and_the_next_night_tried(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    compute = Compute(ValueError("no analysis"), [])
    with caplog.at_level(logging.WARNING):
        nights(monkeypatch, Daily(("B",), compute, Notifier([])), "2026-01-01", "2026-01-02")
    assert compute.asked == 2
    assert "no analysis" in caplog.text


def test_the_real_process_answers_with_a_list_or_its_last_line(tmp_path: Path) -> None:
    (tmp_path / "bank.toml").write_text('[[pack]]\nname = "A"\n')

    async def answer() -> list[dict[str, Any]]:
        return await process(str(tmp_path / "bank.toml"))()

    with pytest.raises(ValueError, match="no record yet"):
        asyncio.run(answer())
    Store.open(tmp_path / "bank.db", write=True).close()
    assert asyncio.run(answer()) == []
