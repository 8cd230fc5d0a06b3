"""Publishing, against a real broker on loopback (Debian's mosquitto), which must be installed."""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from queue import Empty, Queue
from typing import TYPE_CHECKING

import pytest

from adapters.errors import ConfigError
from logger.alerts.mqtt import Publisher
from logger.alerts.watch import Alert
from logger.settings import Mqtt
from tests.orchard import free_port

paho = pytest.importorskip("paho.mqtt.client")

if TYPE_CHECKING:
    from paho.mqtt.client import Client

BROKER = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")
needs_broker = pytest.mark.skipif(BROKER is None, reason="mosquitto is not installed")


class Broker:
    """A mosquitto of our own on loopback, and one listener at it."""

    def __init__(self, folder: Path) -> None:
        self.port, self.folder = free_port(), folder
        self.heard: Queue[tuple[str, str, bool]] = Queue()
        self.start()

    def start(self) -> None:
        file = self.folder / "mosquitto.conf"
        file.write_text(f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence false\n")
        self.process = subprocess.Popen([str(BROKER), "-c", str(file)], stderr=subprocess.DEVNULL)
        end = time.monotonic() + 10
        while time.monotonic() < end:
            with socket.socket() as s:
                if s.connect_ex(("127.0.0.1", self.port)) == 0:
                    return
            time.sleep(0.02)
        raise RuntimeError("mosquitto did not start")

    def listen(self) -> Client:
        client: Client = paho.Client(paho.CallbackAPIVersion.VERSION2)
        client.on_message = lambda _c, _d, m: self.heard.put((m.topic, m.payload.decode(), m.retain))
        client.connect("127.0.0.1", self.port)
        client.subscribe("orchard/#", qos=1)
        client.loop_start()
        return client

    def wait(self, topic: str, seconds: float = 10) -> str:
        end = time.monotonic() + seconds
        while True:
            try:
                got, text, _ = self.heard.get(timeout=max(0.01, end - time.monotonic()))
            except Empty:
                pytest.fail(f"nothing came on {topic}")
            if got == topic:
                return text

    def stop(self) -> None:
        self.process.terminate()
        self.process.wait(10)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    broker = Broker(tmp_path)
    yield broker
    broker.stop()


@needs_broker
def test_values_warnings_and_findings_arrive(broker: Broker, tmp_path: Path) -> None:
    listener = broker.listen()
    publisher = Publisher(Mqtt(host="127.0.0.1", port=broker.port, topic="orchard"), tmp_path)
    publisher.start()
    try:
        assert broker.wait("orchard/state") == "recording"
        publisher.reading("B", 1000.0, {"cell_11_v": 3345, "pack_a": -1234})
        live = json.loads(broker.wait("orchard/B/live"))
        assert live == {"time_s": 1000.0, "cell_11_v": 3.345, "pack_a": -12.34}  # 0.001 V and 0.01 A a step
        publisher.alert(
            Alert("cell_high", "B", "act", active=True, time_s=1.0, value=3.6, unit="V", text="x")
        )
        assert json.loads(broker.wait("orchard/B/warning/cell_high"))["active"] is True
        publisher.findings("B", [{"kind": "self_discharge", "cell": 11}])
        assert json.loads(broker.wait("orchard/B/findings"))[0]["cell"] == 11
    finally:
        publisher.close()
    assert broker.wait("orchard/state") == "gone"
    listener.loop_stop()


@needs_broker
def test_the_broker_may_go_and_come_back(broker: Broker, tmp_path: Path) -> None:
    publisher = Publisher(Mqtt(host="127.0.0.1", port=broker.port, topic="orchard"), tmp_path)
    publisher.start()
    try:
        listener = broker.listen()
        assert broker.wait("orchard/state") == "recording"
        listener.disconnect()
        listener.loop_stop()
        broker.stop()
        publisher.findings("A", [])
        broker.start()
        listener = broker.listen()
        assert json.loads(broker.wait("orchard/A/findings", seconds=20)) == []
        listener.disconnect()
        listener.loop_stop()
    finally:
        publisher.close()


class Counted(Publisher):
    """Keeps what would be published."""

    def __init__(self, settings: Mqtt, folder: Path) -> None:
        super().__init__(settings, folder)
        self.sent: list[float] = []

    def _publish(self, topic: str, text: str, *, keep: bool = False) -> None:
        assert topic == "A/live"
        assert not keep
        self.sent.append(json.loads(text)["time_s"])


def test_live_values_are_thinned(tmp_path: Path) -> None:
    publisher = Counted(Mqtt(host="127.0.0.1", every_s=5), tmp_path)
    for second in range(12):
        publisher.reading("A", float(second), {"pack_a": 0})
    assert publisher.sent == [0.0, 5.0, 10.0]
    publisher.reading("A", 2.0, {"pack_a": 0})  # the clock stepped back by more than the interval
    assert publisher.sent[-1] == 2.0


def test_a_password_file_that_is_not_there_is_a_clear_error(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="password_file"):
        Publisher(Mqtt(host="127.0.0.1", username="u", password_file=str(tmp_path / "nowhere")), tmp_path)
