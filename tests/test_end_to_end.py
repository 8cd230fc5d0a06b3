"""From the bus to the report over the real protocols.

A simulated bank in a process of its own, Modbus TCP and CAN on loopback, `bankbook log` as a user starts it,
and everything read back from the file alone.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.orchard import Wires, free_port, orchard, sources

if TYPE_CHECKING:
    from paho.mqtt.client import MQTTMessage

ROOT = Path(__file__).parent.parent
PATIENCE_S = 60.0

BANK_TOML = """
[site]
name = "Hill orchard"
timezone = "UTC"

[record]
commit_s = 1
clock = "trusted"

[[pack]]
name = "A"
temps = 5
cell_temps = 4

[[pack]]
name = "B"
temps = 5
cell_temps = 4

[[witness]]
name = "hall"
"""


@pytest.fixture(scope="module")
def wires() -> Iterator[Wires]:
    """Run the simulated bank; give where it is."""
    with orchard() as found:
        yield found


@pytest.fixture
def folder(tmp_path: Path, wires: Wires) -> Path:
    (tmp_path / "bank.toml").write_text(BANK_TOML + sources(wires), encoding="utf-8")
    return tmp_path


def start(folder: Path, *words: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-P", "-m", "logger", *words]
    return subprocess.Popen(command, cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def done(folder: Path, *words: str, code: int = 0) -> str:
    """Run a command to its end; give what it printed."""
    process = start(folder, *words)
    out, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == code, f"{words}: {err}"
    assert "Traceback" not in err
    return out if code == 0 else err


def count(folder: Path, table: str = "reading") -> int:
    with closing(sqlite3.connect(f"file:{folder / 'bank.db'}?mode=ro", uri=True)) as db:
        return int(db.execute(f"SELECT count(*) FROM {table}").fetchone()[0])


def wait_for(folder: Path, rows: int) -> None:
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        try:
            if count(folder) >= rows and count(folder, "witness_reading") > 0:
                return
        except sqlite3.OperationalError:
            pass
        time.sleep(0.1)
    pytest.fail(f"no {rows} readings in {PATIENCE_S:.0f} s")


def test_from_both_buses_into_the_file_and_out_to_the_report(folder: Path) -> None:
    logger = start(folder, "log")
    wait_for(folder, 12)
    assert '"logging": true' in done(folder, "status", "--json")
    logger.send_signal(signal.SIGTERM)
    _, err = logger.communicate(timeout=PATIENCE_S)
    assert logger.returncode == 0, err
    assert "readings taken" in err

    now = {
        entry.get("pack") or entry["witness"]: entry for entry in json.loads(done(folder, "now", "--json"))
    }
    for pack in ("A", "B"):
        values = {name: seen["value"] for name, seen in now[pack]["values"].items()}
        cells = [values[f"cell_{i:02d}_v"] for i in range(1, 17)]
        assert sum(cells) == pytest.approx(values["pack_v"], abs=0.1)  # cells in series add up
        assert all(2.5 < volts < 3.65 for volts in cells)
        assert -30 < values["temp_1"] < 50
    assert now["hall"]["values"]["dc_v"] == pytest.approx(now["A"]["values"]["pack_v"]["value"], abs=2)

    health = json.loads(done(folder, "health", "--json"))
    assert [pack["name"] for pack in health["packs"]] == ["A", "B"]
    assert json.loads(done(folder, "findings", "--json")) == []  # a few seconds support no finding
    today = datetime.now(UTC).date().isoformat()
    pages = json.loads(done(folder, "week", today, "--json"))
    assert [Path(page).suffix for page in pages] == [".html", ".pdf", ".json"]
    assert Path(pages[0]).read_text(encoding="utf-8").startswith("<!")
    assert Path(pages[1]).read_bytes().startswith(b"%PDF")
    assert json.loads(done(folder, "verify", "--json"))["ok"] is True


def test_killed_in_the_middle_the_file_opens_verifies_and_goes_on(folder: Path) -> None:
    logger = start(folder, "log")
    wait_for(folder, 6)
    logger.send_signal(signal.SIGKILL)
    logger.communicate(timeout=PATIENCE_S)
    before = count(folder)
    assert before >= 6
    with closing(sqlite3.connect(folder / "bank.db")) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert json.loads(done(folder, "verify", "--json"))["ok"] is True
    done(folder, "log", "--seconds", "4")
    assert count(folder) > before
    assert "logger ran" in events(folder)


def events(folder: Path) -> str:
    with closing(sqlite3.connect(folder / "bank.db")) as db:
        return "\n".join(f"{row}" for row in db.execute("SELECT kind, subject, detail, end_ms FROM event"))


def test_a_second_logger_is_refused_in_one_line(folder: Path) -> None:
    first = start(folder, "log")
    wait_for(folder, 2)
    message = done(folder, "log", code=5)
    assert message.count("\n") == 1
    assert f"another logger (process {first.pid})" in message
    assert "systemctl stop bankbook" in message
    assert first.poll() is None
    first.terminate()
    first.communicate(timeout=PATIENCE_S)
    assert first.returncode == 0


def test_a_source_that_is_not_there_never_stops_the_others(folder: Path) -> None:
    text = (folder / "bank.toml").read_text(encoding="utf-8")
    port = free_port()
    broken = text.replace('name = "bus-hall"', 'name = "bus-gone"').replace(
        f"port = {text.split('port = ')[-1].split()[0]}\nunit = 2", f"port = {port}\nunit = 2"
    )
    assert broken != text
    (folder / "bank.toml").write_text(broken, encoding="utf-8")
    process = start(folder, "log", "--seconds", "6")
    _, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 0
    assert "bus-gone" in err
    assert count(folder) >= 6
    assert "outage" in events(folder)


def test_when_nothing_answers_it_says_so_and_ends(tmp_path: Path) -> None:
    text = BANK_TOML + sources(Wires(free_port(), free_port()))
    (tmp_path / "bank.toml").write_text(text, encoding="utf-8")
    process = start(tmp_path, "log", "--seconds", "8")
    _, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 4
    last = err.strip().splitlines()[-1]
    assert last.startswith("bankbook: no source answered")
    assert "nothing listens there" in last


def test_a_map_that_does_not_fit_is_told_in_one_line(folder: Path) -> None:
    text = (folder / "bank.toml").read_text(encoding="utf-8").split('[[source]]\nname = "bus-b"')[0]
    (folder / "bank.toml").write_text(text + "unit = 2\n", encoding="utf-8")  # the inverter, read as a pack
    process = start(folder, "log", "--seconds", "4")
    _, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 4
    assert "Traceback" not in err
    assert "does not fit" in err.strip().splitlines()[-1]


def test_the_logger_speaks_to_the_service_manager(folder: Path) -> None:
    place = folder / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(place))
        manager.settimeout(PATIENCE_S)
        environment = os.environ | {"NOTIFY_SOCKET": str(place)}
        command = [sys.executable, "-P", "-m", "logger", "log", "--seconds", "5"]
        with subprocess.Popen(command, cwd=folder, env=environment, stderr=subprocess.DEVNULL) as process:
            heard = manager.recv(300).decode()
            assert heard.splitlines()[0] == "READY=1"
            while "WATCHDOG=1" not in heard:
                heard = manager.recv(300).decode()
            while "STOPPING=1" not in heard:
                heard = manager.recv(300).decode()
            assert process.wait(PATIENCE_S) == 0


BROKER = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin")


@pytest.mark.skipif(BROKER is None, reason="mosquitto is not installed")
def test_live_values_reach_the_users_broker_and_its_last_word_is_goodbye(folder: Path) -> None:
    paho = pytest.importorskip("paho.mqtt.client")
    port = free_port()
    (folder / "broker.conf").write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\n"
    )
    heard: dict[str, str] = {}
    states: list[str] = []

    def note(_client: object, _data: object, message: MQTTMessage) -> None:
        heard[message.topic] = message.payload.decode()
        if message.topic == "orchard/state":
            states.append(message.payload.decode())

    with subprocess.Popen(
        [str(BROKER), "-c", str(folder / "broker.conf")], stderr=subprocess.DEVNULL
    ) as broker:
        client = paho.Client(paho.CallbackAPIVersion.VERSION2)
        client.on_message = note
        end = time.monotonic() + PATIENCE_S
        while True:
            try:
                client.connect("127.0.0.1", port)
                break
            except OSError:
                assert time.monotonic() < end
                time.sleep(0.05)
        client.subscribe("orchard/#", qos=1)
        client.loop_start()
        with (folder / "bank.toml").open("a", encoding="utf-8") as file:
            file.write(f'[mqtt]\nhost = "127.0.0.1"\nport = {port}\ntopic = "orchard"\nevery_s = 1\n')
        done(folder, "log", "--seconds", "6")
        while "gone" not in states and time.monotonic() < end:
            time.sleep(0.05)
        client.disconnect()
        client.loop_stop()
        broker.terminate()
    assert states[0] == "recording"
    assert states[-1] == "gone"
    for pack in ("A", "B"):
        live = json.loads(heard[f"orchard/{pack}/live"])
        assert sum(live[f"cell_{i:02d}_v"] for i in range(1, 17)) == pytest.approx(live["pack_v"], abs=0.1)
        assert json.loads(heard[f"orchard/{pack}/findings"]) == []
    assert "dc_v" in json.loads(heard["orchard/hall/live"])
