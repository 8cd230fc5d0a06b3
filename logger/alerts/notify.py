"""Warnings on their way to people: the user's own command, and e-mail, chat or webhook through Apprise.

Everything here runs in one thread of its own with a bounded queue, so that a slow mail server never delays a
reading. Addresses hold passwords: they are read from a file and never appear in a log line.
"""

from __future__ import annotations

import json
import logging
import queue
import shlex
import subprocess
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from adapters.errors import ConfigError
from logger.alerts.watch import Alert
from logger.extras import how_to_add
from logger.settings import Watch

log = logging.getLogger(__name__)

WAITING: Final = 100
"""Warnings kept while the ways out are slow; beyond that the newest are dropped and counted."""
PATIENCE_S: Final = 30.0
"""How long the user's command may take. [s]"""

Way = Callable[[Alert], None]


def ways_out(settings: Watch, folder: Path) -> list[Way]:
    """Return what the configuration asks warnings to be given to.

    Raises
    ------
    ConfigError
        If Apprise is asked for and missing, or a file of addresses cannot be read.
    """
    ways: list[Way] = []
    if settings.command:
        ways.append(CommandHook(settings.command))
    if settings.notify_file:
        ways.append(Messages(_addresses(folder / settings.notify_file)))
    return ways


@dataclass(frozen=True, slots=True)
class CommandHook:
    """Starts the user's program with the warning as JSON on its standard input."""

    command: str

    def __call__(self, alert: Alert) -> None:
        """Run it once; a failure is logged, never raised."""
        try:
            done = subprocess.run(
                shlex.split(self.command), input=json.dumps(alert.as_dict()), text=True,
                timeout=PATIENCE_S, check=False, capture_output=True,
            )  # fmt: skip
        except (OSError, ValueError, subprocess.TimeoutExpired) as exc:
            log.warning("the watch command failed: %s", type(exc).__name__)
            return
        if done.returncode:
            log.warning("the watch command ended with code %d", done.returncode)


class Messages:
    """Sends the sentence through Apprise."""

    def __init__(self, addresses: list[str]) -> None:
        try:
            import apprise
        except ImportError as exc:
            raise ConfigError(
                "[watch] notify_file needs Apprise, which is not installed", how_to_add("notify")
            ) from exc
        logging.getLogger("apprise").setLevel(logging.CRITICAL)  # its lines may show addresses
        self._out = apprise.Apprise()
        for number, address in enumerate(addresses, 1):
            if not self._out.add(address):
                raise ConfigError(
                    f"[watch] notify_file: address {number} is not one that Apprise knows",
                    "see the list of address forms in the Apprise documentation",
                )

    def __call__(self, alert: Alert) -> None:
        """Send once; a failure is logged without the address."""
        state = "" if alert.active else "over: "
        title = f"bankbook {state}{alert.kind.replace('_', ' ')} ({alert.subject})"
        try:
            delivered = self._out.notify(body=alert.text, title=title)
        except Exception as exc:
            log.warning("a message could not be sent: %s", type(exc).__name__)
            return
        if not delivered:
            log.warning("a message could not be sent to at least one address")


@dataclass(slots=True)
class Notifier:
    """Hands warnings of enough severity to the ways out, one after the other, in its own thread."""

    ways: list[Way]
    least: str = "watch"
    dropped: int = 0
    _queue: queue.Queue[Alert | None] = field(default_factory=lambda: queue.Queue(WAITING))
    _thread: threading.Thread | None = None

    def start(self) -> None:
        """Start the thread if there is anything to give warnings to."""
        if self.ways and self._thread is None:
            self._thread = threading.Thread(target=self._run, name="notify", daemon=True)
            self._thread.start()

    def send(self, alert: Alert) -> None:
        """Queue a warning. Never blocks."""
        if self._thread is None or (self.least == "act" and alert.severity != "act"):
            return
        try:
            self._queue.put_nowait(alert)
        except queue.Full:
            self.dropped += 1

    def close(self, patience_s: float = 5.0) -> None:
        """Let the queue empty for a while, then let go."""
        if self._thread is not None:
            try:
                self._queue.put(None, timeout=patience_s)
            except queue.Full:
                return
            self._thread.join(patience_s)
            self._thread = None

    def _run(self) -> None:
        while (alert := self._queue.get()) is not None:
            for way in self.ways:
                way(alert)


def _addresses(path: Path) -> list[str]:
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except OSError as exc:
        raise ConfigError(
            f"[watch] notify_file = {str(path)!r} cannot be read: {exc.strerror}",
            "check its name and permissions",
        ) from exc
    return [line.strip() for line in lines if line.strip() and not line.lstrip().startswith("#")]
