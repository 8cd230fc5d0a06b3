from __future__ import annotations

import ctypes
import time
from pathlib import Path

import pytest

from logger.recording import clock_system
from logger.recording.clock import Trust
from logger.recording.clock_system import SystemTime, Timex, hardware_clock_s, kernel_synchronised


def test_the_structure_has_the_kernels_size() -> None:
    # sizeof(struct timex) is 208 on 64-bit Linux: adjtimex(2), sys/timex.h compiled by hand.
    assert ctypes.sizeof(Timex) == 208


def test_the_kernel_answers() -> None:
    assert kernel_synchronised() in (True, False)


@pytest.mark.parametrize(
    ("hctosys", "since", "want"),
    [
        ("1", "1770000000", 1_770_000_000.0),
        ("0", "1770000000", None),
        ("1", "0", None),
        ("1", "rubbish", None),
    ],
)
def test_only_a_hardware_clock_that_was_set_counts(
    tmp_path: Path, hctosys: str, since: str, want: float | None
) -> None:
    (tmp_path / "rtc0").mkdir()
    (tmp_path / "rtc0" / "hctosys").write_text(hctosys + "\n")
    (tmp_path / "rtc0" / "since_epoch").write_text(since + "\n")
    assert hardware_clock_s(tmp_path) == want


def test_no_hardware_clock(tmp_path: Path) -> None:
    assert hardware_clock_s(tmp_path / "none") is None


def test_trust_in_order(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(clock_system, "kernel_synchronised", lambda: False)
    monkeypatch.setattr(clock_system, "hardware_clock_s", lambda: None)
    assert SystemTime().trust() == Trust.NONE
    monkeypatch.setattr(clock_system, "hardware_clock_s", time.time)
    assert SystemTime().trust() == Trust.RTC
    assert SystemTime(user_trusts=True).trust() == Trust.USER
    monkeypatch.setattr(clock_system, "kernel_synchronised", lambda: True)
    assert SystemTime().trust() == Trust.NTP


def test_a_hardware_clock_that_disagrees_is_not_believed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(clock_system, "kernel_synchronised", lambda: False)
    monkeypatch.setattr(clock_system, "hardware_clock_s", lambda: time.time() - 3600)
    assert SystemTime().trust() == Trust.NONE


def test_one_boot_has_one_name() -> None:
    assert SystemTime().boot_id() == SystemTime().boot_id()
