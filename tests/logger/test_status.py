from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from adapters.base import Subject
from adapters.errors import StoreError
from logger.config import Config
from logger.record import store_clock
from logger.record.opening import open_record
from logger.record.store_types import Stamped
from logger.recording.clock import Trust
from logger.status import logger_runs, state_of

TOML = """
[[pack]]
name = "A"
[[source]]
name = "x"
kind = "modbus-tcp"
pack = "A"
map = "m.toml"
host = "h"
"""
NOW_S = 1_760_000_000.0


@pytest.fixture
def config(tmp_path: Path) -> Config:
    (tmp_path / "bank.toml").write_text(TOML, encoding="utf-8")
    return Config.load(tmp_path / "bank.toml")


def test_without_a_record_there_is_no_status(config: Config) -> None:
    with pytest.raises(StoreError, match="no record yet"):
        state_of(config, NOW_S)


def test_five_lines_and_a_trouble_when_nobody_logs(config: Config) -> None:
    with open_record(config, "write") as store:
        store.append([Stamped(Subject("A"), round(NOW_S * 1000) - 3000, {"pack_v": 5300})])
    state = state_of(config, NOW_S)
    assert not state.logging
    assert not state.well
    assert state.packs[0].age_s == 3.0
    lines = state.lines()
    assert len(lines) == 6
    assert "NOT recording" in lines[0]
    assert "A 1 days, newest 3 s ago" in lines[1]
    assert "systemctl start bankbook" in lines[5]


def test_a_running_logger_is_seen_and_a_silent_pack_is_told(config: Config) -> None:
    with open_record(config, "log") as store:
        assert logger_runs(config.database)
        store.append([Stamped(Subject("A"), round(NOW_S * 1000) - 3000, {"pack_v": 5300})])
        assert state_of(config, NOW_S).well
        late = state_of(config, NOW_S + 1000)
        assert "gives no readings" in late.troubles[0]
        assert "lies in the future" in state_of(config, NOW_S - 1000).troubles[0]
    assert not logger_runs(config.database)


def test_what_lasts_now_is_told(config: Config) -> None:
    with open_record(config, "log") as store:
        number = store.event("outage", "no answer", subject="x", start_ms=round(NOW_S * 1000))
        assert state_of(config, NOW_S).open_events == ("outage x: no answer",)
        store.end_event(number, round(NOW_S * 1000) + 5)
        assert state_of(config, NOW_S).open_events == ()


def test_days_that_wait_for_a_clock_are_told(config: Config) -> None:
    with open_record(config, "write") as store:
        with store.writing() as conn:
            boot = store_clock.keep_boot(conn, "first", 0.0, Trust.NONE, round(NOW_S * 1000))
        for age_s in (3 * 86_400, 3):
            store.append([Stamped(Subject("A"), round((NOW_S - age_s) * 1000), {"pack_v": 5300}, boot)])
        said = state_of(config, NOW_S).troubles[-1]
        assert "clock is not known to be right" in said
        assert "days from 2025-10-06 on stay unsealed" in said  # 1 760 000 000 s is 2025-10-09
        assert 'clock = "trusted"' in said
        with store.writing() as conn:
            store_clock.keep_boot(conn, "next", 0.0, Trust.NTP, round(NOW_S * 1000))
        assert "2 readings from 2025-10-06 to 2025-10-09" in state_of(config, NOW_S).troubles[-1]
        with store.writing() as conn:
            store_clock.settle_boot(conn, boot, 0, "known", round(NOW_S * 1000))
        assert not any("sealed" in trouble for trouble in state_of(config, NOW_S).troubles)


def test_a_full_disk_is_told_and_not_taken_for_a_silent_pack(
    config: Config, monkeypatch: pytest.MonkeyPatch
) -> None:
    with open_record(config, "log") as store:
        store.append([Stamped(Subject("A"), round(NOW_S * 1000) - 3000, {"pack_v": 5300})])
        usage = shutil.disk_usage(config.folder)._replace(free=100_000)
        monkeypatch.setattr("shutil.disk_usage", lambda _: usage)
        troubles = state_of(config, NOW_S + 1000).troubles
        assert "disk is full" in troubles[0]
        assert not any("gives no readings" in trouble for trouble in troubles)
        assert not any("disk is full" in trouble for trouble in state_of(config, NOW_S).troubles)
