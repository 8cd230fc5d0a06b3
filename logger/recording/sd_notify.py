"""Words to the service manager, over its datagram socket. No library is needed for a line of text.

References
----------
sd_notify(3) and systemd.service(5), "WatchdogSec=": READY=1, STOPPING=1, STATUS=…, WATCHDOG=1.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping


def notify(*lines: str, environment: Mapping[str, str] = os.environ) -> bool:
    """Send lines such as "READY=1" to the service manager.

    Returns
    -------
    bool
        Whether there was a manager to tell. False, without an error, when run by hand.
    """
    address = environment.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return False
    place = "\0" + address[1:] if address.startswith("@") else address
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as talk:
            talk.sendto("\n".join(lines).encode(), place)
    except OSError:
        return False
    return True


def watchdog_s(environment: Mapping[str, str] = os.environ) -> float | None:
    """Return how often the manager wants a sign of life, or None. Half its limit, as it advises. [s]"""
    if environment.get("WATCHDOG_PID", str(os.getpid())) != str(os.getpid()):
        return None
    try:
        return int(environment["WATCHDOG_USEC"]) / 2e6
    except (KeyError, ValueError):
        return None
