"""Publishing to the user's own broker: live values, warnings and findings. Nothing is ever subscribed to.

Topics below the configured one: `state` ("recording", or "gone" as the broker's own last word), `PACK/live`
(JSON of physical values), `PACK/warning/KIND` and `PACK/findings` (both retained).
"""

from __future__ import annotations

import json
import logging
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from adapters.channels import CATALOGUE, WITNESS_CATALOGUE, decode
from adapters.errors import ConfigError
from logger.alerts.watch import Alert
from logger.extras import how_to_add
from logger.settings import Mqtt

if TYPE_CHECKING:
    from paho.mqtt.client import Client

log = logging.getLogger(__name__)

WAITING = 1000
"""Messages kept while the broker is away; older ones are dropped."""


class Publisher:
    """A connection that heals itself in the background, and what is published over it."""

    def __init__(self, settings: Mqtt, folder: Path) -> None:
        self.settings = settings
        self._client = _client(settings, folder)
        self._next_s: dict[str, float] = {}

    def start(self) -> None:
        """Begin connecting. Returns at once; a missing broker is logged and tried again for ever."""
        self._client.connect_async(self.settings.host, self.settings.port, keepalive=30)
        self._client.loop_start()

    def close(self) -> None:
        """Say goodbye and let go."""
        self._publish("state", "gone", keep=True)
        self._client.disconnect()
        self._client.loop_stop()

    def reading(self, subject: str, time_s: float, values: Mapping[str, int]) -> None:
        """Publish one reading in physical units, at most every `every_s`."""
        if time_s < self._next_s.get(subject, float("-inf")) <= time_s + self.settings.every_s:
            return
        self._next_s[subject] = time_s + self.settings.every_s
        both = CATALOGUE | WITNESS_CATALOGUE
        live = {name: decode(both[name], raw) for name, raw in values.items() if name in both}
        self._publish(f"{subject}/live", json.dumps({"time_s": time_s, **live}))

    def alert(self, alert: Alert) -> None:
        """Publish a warning that was raised or cleared."""
        self._publish(f"{alert.subject}/warning/{alert.kind}", json.dumps(alert.as_dict()), keep=True)

    def findings(self, pack: str, found: Sequence[Mapping[str, Any]]) -> None:
        """Publish what stands about a pack; an empty list says that nothing does."""
        self._publish(f"{pack}/findings", json.dumps(list(found)), keep=True)

    def _publish(self, topic: str, text: str, *, keep: bool = False) -> None:
        self._client.publish(f"{self.settings.topic}/{topic}", text, qos=1 if keep else 0, retain=keep)


def _client(settings: Mqtt, folder: Path) -> Client:
    try:
        from paho.mqtt import client as paho
        from paho.mqtt.enums import CallbackAPIVersion
    except ImportError as exc:
        raise ConfigError("[mqtt] needs paho-mqtt, which is not installed", how_to_add("mqtt")) from exc
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.max_queued_messages_set(WAITING)
    client.reconnect_delay_set(1, 60)
    client.will_set(f"{settings.topic}/state", "gone", qos=1, retain=True)
    if settings.tls:
        client.tls_set()
    if settings.username:
        client.username_pw_set(settings.username, _secret(settings, folder))

    def connected(_client: Client, _data: object, _flags: object, reason: Any, _properties: object) -> None:
        if reason.is_failure:
            log.warning("the MQTT broker refuses: %s", reason)
        else:
            log.info("connected to the MQTT broker at %s:%d", settings.host, settings.port)
            _client.publish(f"{settings.topic}/state", "recording", qos=1, retain=True)

    def lost(_client: Client, _data: object, _flags: object, reason: Any, _properties: object) -> None:
        if reason.is_failure:
            log.warning("the MQTT broker is gone (%s); trying again", reason)

    client.on_connect = connected
    client.on_disconnect = lost
    return client


def _secret(settings: Mqtt, folder: Path) -> str | None:
    if settings.password_file is None:
        return None
    try:
        return (folder / settings.password_file).read_text(encoding="utf-8").strip()
    except OSError as exc:
        raise ConfigError(
            f"[mqtt] password_file = {settings.password_file!r} cannot be read: {exc.strerror}",
            "check its name and permissions",
        ) from exc
