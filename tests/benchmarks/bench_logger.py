"""What the logger costs while it runs: `nice python tests/benchmarks/bench_logger.py [--minutes 10]`.

`bankbook log` follows the simulated bank in real time, pack A over Modbus TCP and pack B over CAN, 16 cells
each at 1 Hz; its CPU, memory and bytes written are read from /proc. Beside it the plain way of the same
storage: every reading one row a value, committed at once.
"""

from __future__ import annotations

import argparse
import os
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from logger.record.store import Store
from tests.orchard import orchard, sources

SETTLE_S = 20.0
GOAL_CPU, GOAL_MEMORY = 1.0, 80.0
CONFIG = """
[site]
name = "bench"
timezone = "Europe/Vienna"
[record]
commit_s = {commit}
clock = "trusted"
[[pack]]
name = "A"
[[pack]]
name = "B"
"""


def cpu_s(pid: int) -> float:
    """Return the CPU time of a process so far. [s]"""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def peak_mb(pid: int) -> float:
    """Return the peak resident memory of a process. [MB]"""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return float(next(line.split()[1] for line in lines if line.startswith("VmHWM"))) / 1000


def written(pid: int) -> int:
    """Return the bytes a process had written to disk so far."""
    lines = Path(f"/proc/{pid}/io").read_text().splitlines()
    return int(next(line.split()[1] for line in lines if line.startswith("write_bytes")))


def plain_cpu(path: Path, readings: int = 300) -> float:
    """Return the CPU share of storing two packs the plain way, without reading any wire."""
    db = sqlite3.connect(path)
    db.execute("CREATE TABLE r (time_ms INTEGER, channel INTEGER, value REAL)")
    start = time.process_time()
    for number in range(readings):
        db.executemany(
            "INSERT INTO r VALUES (?, ?, ?)",
            ((number, i, i / 10) for i in range(36)),
        )
        db.commit()
    db.close()
    return (time.process_time() - start) / readings * 2 * 100


def cost(folder: Path, minutes: float) -> tuple[float, float, float, float]:
    """Run the logger: seconds measured, % of a core, MB a day written, peak memory. [s, %, MB, MB]"""
    script = Path(sys.executable).with_name("bankbook")
    logger = subprocess.Popen([script, "log", "--config", folder / "bank.toml"], stdout=subprocess.DEVNULL)
    try:
        time.sleep(SETTLE_S)
        start, cpu, wrote = time.monotonic(), cpu_s(logger.pid), written(logger.pid)
        time.sleep(minutes * 60)
        span = time.monotonic() - start
        share = (cpu_s(logger.pid) - cpu) / span * 100
        rate = (written(logger.pid) - wrote) / span * 86_400 / 1e6
        memory = peak_mb(logger.pid)
    finally:
        logger.terminate()
        logger.wait(30)
    return span, share, rate, memory


def measure(folder: Path, minutes: float, commit: float) -> None:
    """Run bank and logger; print what the logger took."""
    with orchard() as wires:
        (folder / "bank.toml").write_text(CONFIG.format(commit=commit) + sources(wires, witness=False))
        span, share, rate, memory = cost(folder, minutes)
    with Store.open(folder / "bank.db") as store, store.reading() as conn:
        rows = conn.exec_driver_sql("SELECT count(*) FROM reading").scalar()
    plain = plain_cpu(folder / "plain.db")
    say(
        "CPU, two packs at 1 Hz",
        f"{share:.2f} % of a core",
        f"goal ≤ {GOAL_CPU:.0f} %",
        f"storing alone the plain way {plain:.2f} %",
    )
    say("peak memory", f"{memory:.0f} MB", f"goal ≤ {GOAL_MEMORY:.0f} MB")
    say(
        f"written, commits every {commit:g} s, both packs",
        f"{rate:.0f} MB a day",
        "",
        "without checkpoints and sealing",
    )
    say("readings stored", f"{rows}", "", f"of {2 * (span + SETTLE_S):.0f} that time allows")


def say(what: str, figure: str, goal: str = "", plain: str = "") -> None:
    """Print one line of the table."""
    print(f"{what:<46} {figure:>22}  {goal:<22} {plain}")


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--minutes", type=float, default=10)
    parser.add_argument("--commit", type=float, default=10)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(dir="/var/tmp") as name:
        measure(Path(name), asked.minutes, asked.commit)


if __name__ == "__main__":
    main()
