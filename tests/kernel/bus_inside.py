"""Runs inside the guest: the logger on SocketCAN through everything an interface can do to it.

The pack sends on vxcan1; the logger listens on vxcan0, whose transmit counter must stay at 0.
Prints one line a trial: "TRIAL name ok|FAILED details".
"""

import json
import os
import re
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
WORK = Path("/run/bench")
SENDER = [sys.executable, str(HERE / "bus_sender.py")]
CONFIG = """
[site]
name = "Cider house"
timezone = "UTC"
[record]
file = "bank.db"
commit_s = 2
clock = "trusted"
[[pack]]
name = "B"
cells = 16
rated_ah = 280
[[source]]
name = "bus"
kind = "can"
pack = "B"
interface = "{interface}"
channel = "{channel}"
database = "{maps}/orchard-b.dbc"
binding = "{maps}/orchard-b.toml"
stale_s = 3
"""


def sh(command: str) -> str:
    run = ["sh", "-c", command]
    return subprocess.run(run, check=False, capture_output=True, text=True).stdout


def links(up: bool = True) -> None:
    sh("ip link add vxcan0 type vxcan peer name vxcan1")
    if up:
        sh("ip link set vxcan0 up; ip link set vxcan1 up")


def counters(interface: str) -> dict[str, int]:
    folder = Path(f"/sys/class/net/{interface}/statistics")
    names = ("tx_packets", "tx_bytes", "rx_packets", "rx_dropped", "rx_over_errors")
    return {n: int((folder / n).read_text()) for n in names} if folder.exists() else {}


class Logger:
    """A running `bankbook log`."""

    def __init__(self, name: str, interface: str = "socketcan", channel: str = "vxcan0") -> None:
        self.folder = WORK / name
        self.folder.mkdir(parents=True, exist_ok=True)
        config = self.folder / "bank.toml"
        maps = ROOT / "sample_data" / "maps"
        config.write_text(CONFIG.format(interface=interface, channel=channel, maps=maps))
        self.out = (self.folder / "log.txt").open("w")
        self.process = subprocess.Popen(
            [str(ROOT / ".venv/bin/bankbook"), "log", "--config", str(config)],
            stdout=self.out, stderr=subprocess.STDOUT, cwd=self.folder,
        )  # fmt: skip
        self.record = self.folder / "bank.db"

    def rows(self) -> list[int]:
        if not self.record.exists():
            return []
        with sqlite3.connect(f"file:{self.record}?mode=ro", uri=True) as conn:
            try:
                return [r[0] for r in conn.execute("SELECT time_ms FROM reading ORDER BY time_ms")]
            except sqlite3.OperationalError:
                return []

    def wait_rows(self, more_than: int, seconds: float) -> float:
        """Return how long it took until there were more rows; -1 if it did not happen."""
        start = time.monotonic()
        while time.monotonic() - start < seconds:
            if len(self.rows()) > more_than:
                return time.monotonic() - start
            time.sleep(0.5)
        return -1.0

    def events(self) -> list[tuple[str, str, str]]:
        with sqlite3.connect(f"file:{self.record}?mode=ro", uri=True) as conn:
            return list(conn.execute("SELECT kind, subject, detail FROM event ORDER BY id"))

    def stop(self) -> int:
        self.process.send_signal(signal.SIGTERM)
        try:
            return self.process.wait(60)
        except subprocess.TimeoutExpired:
            self.process.kill()
            return -9
        finally:
            self.out.close()

    def cpu_s(self) -> float:
        fields = Path(f"/proc/{self.process.pid}/stat").read_text().rsplit(")", 1)[1].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def trial(name: str, good: bool, **details: object) -> None:
    print(f"TRIAL {name} {'ok' if good else 'FAILED'} {json.dumps(details, default=str)}", flush=True)


def steady() -> None:
    links()
    sender = subprocess.Popen([*SENDER, "vxcan1", "--seconds", "70"])
    log = Logger("steady")
    up = log.wait_rows(5, 60)
    tx = counters("vxcan0")["tx_packets"]
    trial("steady", up >= 0 and tx == 0, first_rows_after_s=up, tx=tx, readings=len(log.rows()))
    sh("ip link set vxcan0 down")
    time.sleep(5)
    alive = log.process.poll() is None
    before = len(log.rows())
    sh("ip link set vxcan0 up")
    back = log.wait_rows(before + 1, 20)
    outage = [e for e in log.events() if e[0] == "outage"]
    trial("down-and-up", alive and 0 <= back <= 12 and bool(outage), back_after_s=back, outages=outage[:2],
          tx=counters("vxcan0").get("tx_packets"))  # fmt: skip
    sender.kill()
    sh("ip link del vxcan0")
    time.sleep(4)
    before = len(log.rows())
    links()
    sender = subprocess.Popen([*SENDER, "vxcan1", "--seconds", "60"])
    again = log.wait_rows(before + 1, 25)
    outages = len([e for e in log.events() if e[0] == "outage"])
    trial("removed-and-made-again", log.process.poll() is None and 0 <= again <= 15, back_after_s=again,
          outages=outages, tx=counters("vxcan0").get("tx_packets"))  # fmt: skip
    sender.kill()
    code = log.stop()
    trial("stops-cleanly", code == 0, code=code)


def full_bus(seconds: float) -> None:
    sh("ip link del vxcan0")
    links()
    log = Logger("full")
    time.sleep(6)
    sender = subprocess.Popen(
        [*SENDER, "vxcan1", "--seconds", str(seconds), "--rate", "3700"], stdout=subprocess.PIPE, text=True
    )
    cpu, start = log.cpu_s(), time.monotonic()
    said = sender.communicate()[0]
    share = (log.cpu_s() - cpu) / (time.monotonic() - start)
    sent, refused = (int(n) for n in re.findall(r"SENT (\d+) (\d+)", said)[0])
    time.sleep(3)
    seen = counters("vxcan0")
    rows = len(log.rows())
    kinds = [e for e in log.events() if e[0] != "logging"]
    trial("full-bus", rows >= 0.9 * seconds and seen["tx_packets"] == 0, seconds=seconds, sent=sent,
          refused=refused, frames_a_second=round(sent / seconds), readings=rows, cpu_share=round(share, 3),
          counters=seen, events=kinds[:4])  # fmt: skip
    log.stop()


def main() -> None:
    """Run the trials; arguments: seconds of full bus."""
    WORK.mkdir(parents=True, exist_ok=True)
    steady()
    full_bus(float(sys.argv[1]) if len(sys.argv) > 1 else 60)
    for log in WORK.glob("*/log.txt"):
        print(f"LOG {log.parent.name}", log.read_text()[-1500:], flush=True)


if __name__ == "__main__":
    main()
