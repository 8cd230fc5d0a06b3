"""Between the recorder and everybody who wants to hear of a warning: journal, record, messages, broker."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING, Protocol

from logger.alerts.watch import Alert, Watcher

if TYPE_CHECKING:
    from collections.abc import Mapping

    from logger.alerts.notify import Notifier
    from logger.record.store_types import Stamped
    from logger.recording.recorder_events import Waiting

log = logging.getLogger(__name__)


class Keeper(Protocol):
    """Where warnings are kept as events: the recorder."""

    def note(self, kind: str, detail: str, subject: str = "") -> Waiting:
        """Begin an event."""
        ...

    def note_over(self, waiting: Waiting) -> None:
        """End it."""
        ...


class Broker(Protocol):
    """Where values and warnings are published."""

    def reading(self, subject: str, time_s: float, values: Mapping[str, int]) -> None:
        """Publish a reading."""
        ...

    def alert(self, alert: Alert) -> None:
        """Publish a warning."""
        ...


class Alarms:
    """A listener of the recorder that turns readings into warnings and hands them on.

    Parameters
    ----------
    watcher : Watcher or None
        The rules; None if warnings are switched off.
    notifier : Notifier
        Messages to people.
    broker : Broker or None
        The user's own broker.
    """

    def __init__(self, watcher: Watcher | None, notifier: Notifier, broker: Broker | None = None) -> None:
        self._watcher = watcher
        self._notifier = notifier
        self._broker = broker
        self._lasting: dict[tuple[str, str], Waiting] = {}
        self.recorder: Keeper | None = None

    def reading(self, stamped: Stamped) -> None:
        """Look at a reading."""
        name, time_s = stamped.subject.name, stamped.time_ms / 1000
        if self._broker is not None:
            self._broker.reading(name, time_s, stamped.values)
        if self._watcher is not None:
            self._watcher.heard(name, time_s)
            if stamped.subject.kind == "pack":
                self._hand_on(self._watcher.reading(name, time_s, stamped.values))

    def source(self, name: str, up: bool, text: str, time_ms: int) -> None:
        """Outages are the recorder's own events; silence is the watcher's."""

    def tick(self, now_s: float, free_bytes: int | None, *, clock_trusted: bool) -> None:
        """Look at what no reading tells."""
        if self._watcher is not None:
            self._hand_on(self._watcher.tick(now_s, free_bytes=free_bytes, clock_trusted=clock_trusted))

    def _hand_on(self, alerts: list[Alert]) -> None:
        for alert in alerts:
            log.warning("%s (%s): %s", alert.kind.replace("_", " "), alert.subject, alert.text)
            key = (alert.kind, alert.subject)
            if self.recorder is not None and alert.active:
                self._lasting[key] = self.recorder.note(f"warning_{alert.kind}", alert.text, alert.subject)
            elif self.recorder is not None and key in self._lasting:
                self.recorder.note_over(self._lasting.pop(key))
            self._notifier.send(alert)
            if self._broker is not None:
                self._broker.alert(alert)
