from __future__ import annotations

import os
import socket
from pathlib import Path

from logger.recording.sd_notify import notify, watchdog_s


def test_lines_arrive_at_the_managers_socket(tmp_path: Path) -> None:
    path = tmp_path / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(path))
        manager.settimeout(5)
        assert notify("READY=1", "STATUS=recording", environment={"NOTIFY_SOCKET": str(path)})
        assert manager.recv(200) == b"READY=1\nSTATUS=recording"


def test_an_abstract_socket_works_too() -> None:
    name = f"bankbook-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind("\0" + name)
        manager.settimeout(5)
        assert notify("WATCHDOG=1", environment={"NOTIFY_SOCKET": "@" + name})
        assert manager.recv(200) == b"WATCHDOG=1"


def test_without_a_manager_nothing_happens(tmp_path: Path) -> None:
    assert not notify("READY=1", environment={})
    assert not notify("READY=1", environment={"NOTIFY_SOCKET": "relative"})
    assert not notify("READY=1", environment={"NOTIFY_SOCKET": str(tmp_path / "nobody")})


def test_half_the_managers_limit_is_the_interval() -> None:
    assert watchdog_s({"WATCHDOG_USEC": "60000000"}) == 30.0
    assert watchdog_s({"WATCHDOG_USEC": "60000000", "WATCHDOG_PID": "1"}) is None
    assert watchdog_s({}) is None
    assert watchdog_s({"WATCHDOG_USEC": "soon"}) is None
