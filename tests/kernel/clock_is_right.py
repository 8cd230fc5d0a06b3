"""Tell the kernel that its clock is synchronised, as a time daemon does once it has the time."""

import ctypes

STA_UNSYNC, ADJ_STATUS, ADJ_MAXERROR, ADJ_ESTERROR = 0x40, 0x10, 0x04, 0x08


class Timex(ctypes.Structure):
    """struct timex of adjtimex(2), as far as it is used here."""

    _fields_ = (
        ("modes", ctypes.c_uint), ("offset", ctypes.c_long), ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long), ("esterror", ctypes.c_long), ("status", ctypes.c_int),
        ("rest", ctypes.c_long * 24),
    )  # fmt: skip


def main() -> None:
    """Clear STA_UNSYNC."""
    libc = ctypes.CDLL(None, use_errno=True)
    timex = Timex(modes=ADJ_STATUS | ADJ_MAXERROR | ADJ_ESTERROR, status=0, maxerror=1000, esterror=1000)
    state = libc.adjtimex(ctypes.byref(timex))
    print(f"CLOCK-STATE {state} status={timex.status:#x}", flush=True)


if __name__ == "__main__":
    main()
