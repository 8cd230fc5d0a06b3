"""Runs inside the guest: the logger on SocketCAN through everything an interface can do to it.

The pack sends on vxcan1; the logger listens on vxcan0, whose transmit counter must stay at 0.
Prints one line a trial: "TRIAL name ok|FAILED details".
"""

import fcntl
import json
import os
import pty
import re
import select
import signal
import sqlite3
import struct
import subprocess
import sys
import termios
import time
import tty
from collections.abc import Callable
from pathlib import Path

from bus_sender import FRAME, burst

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
MAPS = ROOT / "sample_data" / "maps"
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
interface = "socketcan"
channel = "{channel}"
database = "{database}"
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


def kernel_filters(interface: str = "vxcan0") -> dict[str, int]:
    """Return how many receivers the kernel lists for an interface: with a filter, for all, for errors."""
    out = dict.fromkeys(("all", "fil", "sff", "eff", "err"), 0)
    for name in out:
        lines = Path(f"/proc/net/can/rcvlist_{name}").read_text().splitlines()
        out[name] = sum(line.split()[0] == interface for line in lines if line.strip())
    return out


class Logger:
    """A running `bankbook log`."""

    def __init__(self, name: str, channel: str = "vxcan0", database: Path = MAPS / "orchard-b.dbc") -> None:
        self.folder, self.channel = WORK / name, channel
        self.folder.mkdir(parents=True, exist_ok=True)
        config = self.folder / "bank.toml"
        config.write_text(CONFIG.format(channel=channel, maps=MAPS, database=database))
        self.out = (self.folder / "log.txt").open("w")
        self.process = subprocess.Popen(
            [str(ROOT / ".venv/bin/bankbook"), "log", "--keep-trying", "--config", str(config)],
            stdout=self.out, stderr=subprocess.STDOUT, cwd=self.folder,
        )  # fmt: skip
        self.record = self.folder / "bank.db"

    def listening(self, seconds: float = 180) -> bool:
        """Wait until it has its socket: starting takes long in emulation, and is not what is tried here."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            if sum(kernel_filters(self.channel).values()) > 0 and self.record.exists():
                return True
            time.sleep(0.5)
        return False

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

    def outages(self) -> list[tuple[str, str, str]]:
        return [e for e in self.events() if e[0] == "outage"]

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


def send(*words: str) -> subprocess.Popen[str]:
    return subprocess.Popen([*SENDER, *words], stdout=subprocess.PIPE, text=True)


def flowing() -> None:
    """Wait for the pack's first frames: its interpreter needs its time too."""
    had, end = counters("vxcan0")["rx_packets"], time.monotonic() + 120
    while counters("vxcan0")["rx_packets"] <= had and time.monotonic() < end:
        time.sleep(0.2)


def steady() -> None:
    log = Logger("steady")
    log.listening()
    sender = send("vxcan1", "--seconds", "300")
    flowing()
    up = log.wait_rows(5, 60)
    tx = counters("vxcan0")["tx_packets"]
    trial("steady", up >= 0 and tx == 0, first_rows_after_s=up, tx=tx, readings=len(log.rows()))
    sh("ip link set vxcan0 down")
    time.sleep(5)
    alive = log.process.poll() is None
    before = len(log.rows())
    sh("ip link set vxcan0 up")
    back = log.wait_rows(before + 1, 20)
    outage = log.outages()
    trial("down-and-up", alive and 0 <= back <= 12 and bool(outage), back_after_s=back, outages=outage[:2],
          tx=counters("vxcan0").get("tx_packets"))  # fmt: skip
    sender.kill()
    sh("ip link del vxcan0")
    time.sleep(4)
    before = len(log.rows())
    links()
    sender = send("vxcan1", "--seconds", "90")
    flowing()
    again = log.wait_rows(before + 1, 25)
    outages = len(log.outages())
    trial("removed-and-made-again", log.process.poll() is None and 0 <= again <= 15, back_after_s=again,
          outages=outages, tx=counters("vxcan0").get("tx_packets"))  # fmt: skip
    sender.kill()
    code = log.stop()
    trial("stops-cleanly", code == 0, code=code)


def full_bus(seconds: float) -> None:
    log = Logger("full")
    log.listening()
    # The flood's interpreter needs a while to start, and the pack shall not pause meanwhile.
    pack = send("vxcan1", "--seconds", "20")
    log.wait_rows(0, 30)
    told = len(log.outages())
    sender = send("vxcan1", "--seconds", str(seconds), "--rate", "3700")
    cpu, start = log.cpu_s(), time.monotonic()
    time.sleep(seconds / 2)
    filters = kernel_filters()
    said = sender.communicate()[0]
    pack.wait()
    share = (log.cpu_s() - cpu) / (time.monotonic() - start)
    sent, refused = (int(n) for n in re.findall(r"SENT (\d+) (\d+)", said)[0])
    rows, seen = len(log.rows()), counters("vxcan0")
    outages = log.outages()[told:]
    lost = [e for e in log.events() if "frames lost" in e[2]]
    good = rows >= 0.9 * seconds and seen["tx_packets"] == 0 and not outages
    trial("full-bus", good and filters["all"] == 0 and filters["fil"] > 0, seconds=seconds, sent=sent,
          refused=refused, frames_a_second=round(sent / seconds), readings=rows, cpu_share=round(share, 3),
          kernel_filters=filters, counters=seen, frames_lost=lost, outages=outages[:2])  # fmt: skip
    log.stop()


def full_from_the_start(seconds: float) -> None:
    """The logger comes up on a bus that is full already."""
    sender = send("vxcan1", "--seconds", str(seconds + 240), "--rate", "3700")
    while not counters("vxcan0")["rx_packets"] > 3700:
        time.sleep(0.5)
    log = Logger("full-start")
    log.listening()
    opened, filters, before = time.monotonic(), kernel_filters(), counters("vxcan0")
    first = log.wait_rows(0, 30)
    time.sleep(max(seconds - (time.monotonic() - opened), 0))
    took, rows, seen = time.monotonic() - opened, len(log.rows()), counters("vxcan0")
    sender.kill()
    lost = [e for e in log.events() if "frames lost" in e[2]]
    good = first >= 0 and rows >= 0.85 * seconds and seen["tx_packets"] == 0 and not log.outages()
    good = good and filters["all"] == 0 and filters["fil"] > 0 and not lost
    trial("up-on-a-full-bus", good, first_rows_after_s=first, readings=rows, in_s=round(took),
          frames_a_second=round((seen["rx_packets"] - before["rx_packets"]) / took),
          filters_at_once=filters, filters_later=kernel_filters(), frames_lost=lost,
          outages=log.outages()[:2], tx=seen["tx_packets"])  # fmt: skip
    log.stop()


def unfiltered(seconds: float) -> None:
    """The pack is off and the rest of the bus is full: everything has to be looked at, to say what comes."""
    sender = send("vxcan1", "--seconds", "300", "--rate", "3700", "--no-pack")
    log = Logger("unfiltered")
    log.listening()
    cpu, start = log.cpu_s(), time.monotonic()
    time.sleep(seconds)
    filters = kernel_filters()
    share = (log.cpu_s() - cpu) / (time.monotonic() - start)
    sender.kill()
    outages = log.outages()
    named = any("frames come (0x1" in e[2] for e in outages)
    log.stop()
    tx = counters("vxcan0")["tx_packets"]
    trial("full-bus-without-the-pack", named and tx == 0, tx=tx, cpu_share=round(share, 3),
          kernel_filters=filters, outages=outages[-1:])  # fmt: skip


def drops() -> None:
    """The pack itself floods and the logger is stopped for 2 s: the kernel has to throw frames away."""
    log = Logger("drops")
    log.listening()
    sender = send("vxcan1", "--seconds", "120", "--period", "0.01")
    flowing()
    up = log.wait_rows(4, 30)
    log.process.send_signal(signal.SIGSTOP)
    time.sleep(2)
    log.process.send_signal(signal.SIGCONT)
    time.sleep(10)
    lost = [e for e in log.events() if "frames lost" in e[2]]
    counted = [int(n) for e in lost for n in re.findall(r"(\d+) frames lost", e[2])]
    before = len(log.rows())
    goes_on = log.wait_rows(before + 2, 15)
    sender.kill()
    trial("drops-are-counted-and-told", up >= 0 and sum(counted) > 0 and goes_on >= 0,
          told=lost, goes_on_after_s=goes_on, tx=counters("vxcan0")["tx_packets"])  # fmt: skip
    log.stop()


def wide_identifiers() -> None:
    """The same pack with 29-bit identifiers, and 11-bit twins with nonsense beside every frame."""
    base = 0x18FF_0000
    text = (MAPS / "orchard-b.dbc").read_text()
    wide = WORK / "wide"
    wide.mkdir(parents=True, exist_ok=True)
    database = wide / "wide.dbc"
    database.write_text(
        re.sub(r"\b(BO_|SG_MUL_VAL_) (\d+) ", lambda m: f"{m[1]} {int(m[2]) + base | 1 << 31} ", text)
    )
    log = Logger("wide", database=database)
    log.listening()
    sender = send("vxcan1", "--seconds", "150", "--base", hex(base))
    flowing()
    up = log.wait_rows(6, 30)
    with sqlite3.connect(f"file:{log.record}?mode=ro", uri=True) as conn:
        span = conn.execute("SELECT min(pack_v), max(pack_v), min(cell_16_v) FROM reading").fetchone()
    good = up >= 0 and span[0] == span[1] and span[0] > 0 and span[2] >= 3320
    trial("29-bit-identifiers", good, up_after_s=up, pack_v=span[:2], filters=kernel_filters(),
          tx=counters("vxcan0")["tx_packets"])  # fmt: skip
    sender.kill()
    log.stop()


def error_frames() -> None:
    """What a controller tells: a warning changes nothing, bus-off is an outage, then it goes on."""
    log = Logger("errors")
    log.listening()
    sender = send("vxcan1", "--seconds", "240")
    flowing()
    up = log.wait_rows(3, 30)
    told = len(log.outages())  # it may have called the bus silent before the pack was up
    # 0x04: controller problems; 0x40: bus-off. Source: Linux, include/uapi/linux/can/error.h.
    send("vxcan1", "--seconds", "0", "--error", "0x04").wait()
    time.sleep(4)
    quiet = len(log.outages()) == told
    send("vxcan1", "--seconds", "0", "--error", "0x40").wait()
    time.sleep(4)
    before = len(log.rows())
    again = log.wait_rows(before + 1, 20)
    outages = log.outages()[told:]
    trial("error-frames", up >= 0 and quiet and any("bus-off" in e[2] for e in outages) and again >= 0,
          warning_is_no_outage=quiet, outages=outages, back_after_s=again,
          tx=counters("vxcan0")["tx_packets"])  # fmt: skip
    sender.kill()
    log.stop()


def serial_line() -> None:
    """A serial adapter through the kernel's own line discipline, as a pseudo-terminal."""
    far, near = pty.openpty()
    tty.setraw(near)
    # N_SLCAN. Source: Linux, include/uapi/linux/tty.h.
    fcntl.ioctl(near, termios.TIOCSETD, struct.pack("i", 17))
    sh("ip link set can0 up")  # what this kernel calls it
    log = Logger("slcan", channel="can0")
    log.listening()
    end, n, written = time.monotonic() + 25, 0, b""
    while time.monotonic() < end and len(log.rows()) < 8:
        for raw in burst(n):
            identifier, size, data = FRAME.unpack(raw)
            os.write(far, f"t{identifier:03X}{size}{data[:size].hex().upper()}\r".encode())
            time.sleep(0.002)
        n += 1
        time.sleep(0.8)
    while select.select([far], [], [], 0.1)[0]:
        written += os.read(far, 4096)
    seen, readings = counters("can0"), len(log.rows())
    good = readings >= 8 and seen.get("tx_packets") == 0 and not written
    trial("slcan-line-discipline", good, readings=readings, counters=seen, written_to_the_line=written)
    os.close(near)
    os.close(far)  # the adapter is unplugged
    time.sleep(5)
    outages = log.outages()
    trial(
        "slcan-unplugged", readings > 0 and log.process.poll() is None and bool(outages), outages=outages[-1:]
    )
    log.stop()


def main() -> None:
    """Run the trials; arguments: seconds of full bus, and which (all)."""
    WORK.mkdir(parents=True, exist_ok=True)
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    wanted = sys.argv[2:]
    steps: dict[str, Callable[[], None]] = {
        "steady": steady,
        "full": lambda: full_bus(seconds),
        "full-start": lambda: full_from_the_start(seconds / 2),
        "unfiltered": lambda: unfiltered(25),
        "drops": drops,
        "wide": wide_identifiers,
        "errors": error_frames,
        "serial": serial_line,
    }
    for name, step in steps.items():
        if not wanted or name in wanted:
            sh("ip link del vxcan0")
            links()
            start = time.monotonic()
            step()
            # Once more when the logger has gone; `serial` reads its own interface, which goes with its line.
            seen = counters("vxcan0")
            trial(f"never-transmits-in-{name}", seen["tx_packets"] == 0 and seen["tx_bytes"] == 0,
                  counters=seen, took_s=round(time.monotonic() - start))  # fmt: skip
    for log in WORK.glob("*/log.txt"):
        print(f"LOG {log.parent.name}", log.read_text()[-1500:], flush=True)


if __name__ == "__main__":
    main()
