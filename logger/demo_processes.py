"""The demo's child processes: the simulated bank, and the logger as a user starts it."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from adapters.errors import SourceError

if TYPE_CHECKING:
    from logger.config import Config

READY_S = 120.0
"""How long the simulated bank may take to come up. [s]"""


@contextlib.contextmanager
def simulated_bank(config: Config, state: Path) -> Iterator[subprocess.Popen[str]]:
    """Run the simulated bank as a child process for the length of a `with`."""
    modbus, can = config.source[0].model_dump(), config.source[1].model_dump()
    command = [
        sys.executable, "-P", "-m", "sample_data.live", "--modbus-port", str(modbus["port"]),
        "--can-channel", str(can["channel"]), "--can-port", str(can["port"]), "--start-from", str(state),
    ]  # fmt: skip
    with child(command) as process:
        _wait_ready(process)
        yield process


@contextlib.contextmanager
def logger_process(config: Config) -> Iterator[subprocess.Popen[str]]:
    """Run `bankbook log` as a child process for the length of a `with`, and stop it as an init would."""
    with child([sys.executable, "-P", "-m", "logger", "log", "--config", str(config.path)]) as process:
        yield process


@contextlib.contextmanager
def child(command: list[str]) -> Iterator[subprocess.Popen[str]]:
    """Run a command; end it with SIGTERM, and if it will not go, with SIGKILL."""
    environment = os.environ | {"PYTHONUNBUFFERED": "1"}
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=environment
    )
    try:
        yield process
    finally:
        process.send_signal(signal.SIGTERM)
        try:
            process.communicate(timeout=15)
        except subprocess.TimeoutExpired:
            process.kill()
            process.communicate()


def free_port() -> int:
    """Return a TCP port on loopback that nobody uses."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Said:
    """Keeps reading what a child prints, so that it never blocks, and remembers the last line."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self.last = "it said nothing"
        self._process = process
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        with contextlib.suppress(ValueError):  # closed while reading
            for line in self._process.stdout or ():
                self.last = line.strip() or self.last


def _wait_ready(process: subprocess.Popen[str]) -> None:
    lines: list[str] = []
    ready = threading.Event()

    def read() -> None:
        for line in process.stdout or ():
            lines.append(line.strip())
            if line.startswith("ready"):
                ready.set()
        ready.set()

    threading.Thread(target=read, daemon=True).start()
    if not ready.wait(READY_S) or process.poll() is not None:
        raise SourceError(
            f"the simulated bank did not come up: {lines[-1] if lines else 'it said nothing'}",
            "see whether something on this machine forbids loopback sockets or multicast",
        )
