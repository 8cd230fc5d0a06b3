"""The machine's own clocks, and what the kernel says of them."""

from __future__ import annotations

import ctypes
import time
from pathlib import Path

from logger.recording.clock import Trust

STA_UNSYNC = 0x0040
TIME_ERROR = 5
PLAUSIBLE_S = 1_735_689_600
"""2025-01-01; a hardware clock before it was never set. [s UTC]"""
RTC_AGREES_S = 5.0
RTC_EVERY_S = 60.0
"""Reading a hardware clock costs a bus transfer: not every second. [s]"""


class Timex(ctypes.Structure):
    """`struct timex` of Linux.

    References
    ----------
    adjtimex(2), Linux man-pages 6.03, "struct timex"; sys/timex.h of the GNU C library.
    """

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("constant", ctypes.c_long),
        ("precision", ctypes.c_long),
        ("tolerance", ctypes.c_long),
        ("tv_sec", ctypes.c_long),
        ("tv_usec", ctypes.c_long),
        ("tick", ctypes.c_long),
        ("ppsfreq", ctypes.c_long),
        ("jitter", ctypes.c_long),
        ("shift", ctypes.c_int),
        ("stabil", ctypes.c_long),
        ("jitcnt", ctypes.c_long),
        ("calcnt", ctypes.c_long),
        ("errcnt", ctypes.c_long),
        ("stbcnt", ctypes.c_long),
        ("tai", ctypes.c_int),
        ("padding", ctypes.c_int * 11),
    )


def kernel_synchronised() -> bool:
    """Whether the kernel says that something keeps its clock in step with network time."""
    try:
        libc = ctypes.CDLL(None, use_errno=True)
        state = Timex()  # modes 0: only asks
        answer = libc.adjtimex(ctypes.byref(state))
    except (OSError, AttributeError):
        return False
    return answer not in (-1, TIME_ERROR) and not state.status & STA_UNSYNC


def hardware_clock_s(folder: Path = Path("/sys/class/rtc")) -> float | None:
    """Return the hardware clock that set the system clock at boot; None if there is none. [s UTC]"""
    for rtc in sorted(folder.glob("rtc*")):
        try:
            if (rtc / "hctosys").read_text().strip() != "1":
                continue
            seconds = float((rtc / "since_epoch").read_text())
        except (OSError, ValueError):
            continue
        if seconds > PLAUSIBLE_S:
            return seconds
    return None


class SystemTime:
    """The machine's time.

    Parameters
    ----------
    user_trusts : bool
        The configuration says `clock = "trusted"`.
    """

    def __init__(self, *, user_trusts: bool = False) -> None:
        self._user_trusts = user_trusts
        self._rtc_at_s = -RTC_EVERY_S
        self._rtc_good = False

    def monotonic_s(self) -> float:
        """Seconds since boot, as `Reading.monotonic_s`. [s]"""
        return time.monotonic()

    def wall_s(self) -> float:
        """System clock. [s UTC]"""
        return time.time()

    def trust(self) -> Trust:
        """Whether the system clock is known to be right, now."""
        if kernel_synchronised():
            return Trust.NTP
        if self._user_trusts:
            return Trust.USER
        return Trust.RTC if self._hardware_agrees() else Trust.NONE

    def boot_id(self) -> str:
        """The kernel's name of this boot."""
        try:
            return Path("/proc/sys/kernel/random/boot_id").read_text().strip()
        except OSError:
            return f"boot-{time.time() - time.monotonic():.0f}"

    def _hardware_agrees(self) -> bool:
        if self.monotonic_s() - self._rtc_at_s >= RTC_EVERY_S:
            self._rtc_at_s = self.monotonic_s()
            seconds = hardware_clock_s()
            self._rtc_good = seconds is not None and abs(seconds - self.wall_s()) < RTC_AGREES_S
        return self._rtc_good
