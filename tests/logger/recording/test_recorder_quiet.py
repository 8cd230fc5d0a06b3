from __future__ import annotations

import logging

import pytest

from logger.recording.recorder_quiet import MOST, Quiet


def test_a_flapping_source_does_not_fill_the_journal(caplog: pytest.LogCaptureFixture) -> None:
    now = [0.0]
    quiet = Quiet(logging.getLogger("test"), lambda: now[0])
    with caplog.at_level(logging.INFO):
        for second in range(3000):
            now[0] = float(second)
            quiet.say("a: outages", logging.WARNING, "%s is gone", "a")
            if second == 1500:
                quiet.say("b: outages", logging.WARNING, "b is gone")
    lines = [r.getMessage() for r in caplog.records]
    assert lines.count("a is gone") == MOST
    assert lines.count("b is gone") == 1
    assert lines[-1] == "b is gone"
    assert len(lines) == MOST + 2


def test_the_next_hour_is_told_again(caplog: pytest.LogCaptureFixture) -> None:
    now = [0.0]
    quiet = Quiet(logging.getLogger("test"), lambda: now[0])
    for hour in range(3):
        now[0] = hour * 3600.0
        for _ in range(100):
            quiet.say("x", logging.WARNING, "x", cause=ValueError("why") if hour == 0 else None)
    assert len(caplog.records) == 3 * (MOST + 1)
    assert "why" in caplog.text
