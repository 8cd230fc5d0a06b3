#!/usr/bin/python3
"""Runs inside the guest, as a unit beside bankbook.service: what the service does under a true init.

Prints one line a trial, "TRIAL name ok|FAILED details", and "BENCH-EXIT 0" at the end. Debian's own Python,
standard library only. Everything is slow in emulation, so every wait is long and ends as soon as it can.
"""

import json
import os
import signal
import sqlite3
import subprocess
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

RECORD = Path("/var/lib/bankbook/bank.db")
CONFIG = RECORD.with_name("bank.toml")
PYTHON = "/opt/bankbook/venv/bin/python"
SOURCE = Path("/src")
SENDER = (
    f"cd {SOURCE} && until ip link show vxcan1 up 2>/dev/null | grep -q .; do sleep 1; done; "
    f"PYTHONPATH={SOURCE} exec {PYTHON} tests/kernel/bus_sender.py vxcan1 --seconds 3600"
)
"""The pack; it waits for its interface."""
RIGHT_TIME = datetime(2026, 11, 20, 12, tzinfo=UTC)
"""What the clock is set to when time comes: after systemd's own epoch, and not the hardware clock's."""
EVENING = datetime(2026, 11, 20, 22, 58, tzinfo=UTC)
"""Two minutes before midnight in Vienna."""


def sh(command: str, timeout_s: float = 120.0) -> str:
    run = subprocess.run(
        ["sh", "-c", command], check=False, capture_output=True, text=True, timeout=timeout_s
    )
    return (run.stdout + run.stderr).strip()


def say(*words: object) -> None:
    print(*words, flush=True)


def trial(name: str, good: bool, **details: object) -> None:
    say(f"TRIAL {name} {'ok' if good else 'FAILED'} {json.dumps(details, default=str)}")


def state() -> dict[str, str]:
    """What systemd says of the service."""
    names = ("ActiveState", "SubState", "Type", "MainPID", "NRestarts", "Result", "StatusText")
    lines = sh(f"systemctl show bankbook {' '.join(f'-p {n}' for n in names)}").splitlines()
    return dict(line.split("=", 1) for line in lines if "=" in line)


def wait_state(wanted: Callable[[dict[str, str]], bool], seconds: float) -> dict[str, str]:
    end = time.monotonic() + seconds
    now = state()
    while not wanted(now) and time.monotonic() < end:
        time.sleep(1)
        now = state()
    return now


def ask(question: str) -> list[tuple[object, ...]]:
    try:
        with sqlite3.connect(f"file:{RECORD}?mode=ro", uri=True, timeout=20) as conn:
            return list(conn.execute(question))
    except sqlite3.Error:
        return []


def number(question: str) -> int:
    rows = ask(question)
    return int(str(rows[0][0])) if rows and rows[0][0] is not None else 0


def rows() -> int:
    return number("SELECT count(*) FROM reading")


def provisional() -> int:
    return number("SELECT count(*) FROM reading WHERE provisional IS NOT NULL")


def wait(condition: Callable[[], bool], seconds: float) -> float:
    """Wait for a condition; return how long it took, -1 if it did not come. [s]"""
    start = time.monotonic()
    while time.monotonic() - start < seconds:
        if condition():
            return round(time.monotonic() - start, 1)
        time.sleep(0.5)
    return -1.0


def starts() -> None:
    say("CLOCK at start", sh("date -u +%FT%TZ"), "uptime", Path("/proc/uptime").read_text().split()[0])
    say("LINKS", sh("ip -o link show | cut -d' ' -f2 | tr -d '\\n'"))
    now = wait_state(lambda s: s["ActiveState"] == "active", 240)
    trial("starts-and-notifies", now["ActiveState"] == "active" and now["Type"] == "notify", **now)
    if now["ActiveState"] != "active":
        raise SystemExit("it does not run: no use in looking further")
    status = Path(f"/proc/{now['MainPID']}/status").read_text()
    wanted = ("Uid", "CapEff", "NoNewPrivs", "Seccomp:")
    say("PROCESS", [" ".join(line.split()) for line in status.splitlines() if line.startswith(wanted)])
    sh("ip link add vxcan0 type vxcan peer name vxcan1; ip link set vxcan0 up; ip link set vxcan1 up")
    took = wait(lambda: rows() > 5, 150)
    trial("records-without-network", took >= 0, readings=rows(), after_s=took)


def takes_the_step() -> None:
    before, unsure = rows(), provisional()
    past = number("SELECT max(time_ms) FROM reading") / 1000
    sh(f"date -u -s '{RIGHT_TIME:%F %T}'")
    say(sh(f"{PYTHON} {SOURCE}/tests/kernel/clock_is_right.py"))
    took = wait(lambda: rows() > before and provisional() == 0, 90)
    first = number("SELECT min(time_ms) FROM reading") / 1000
    moved = 0 <= RIGHT_TIME.timestamp() - first < 1800
    good = unsure > 0 and took >= 0 and moved
    trial("takes-the-step", good, provisional_before=unsure, stamped_before=datetime.fromtimestamp(past, UTC),
          provisional_after=provisional(), first_after=datetime.fromtimestamp(first, UTC), after_s=took,
          events=ask("SELECT kind, detail FROM event WHERE kind LIKE 'clock%'"))  # fmt: skip


def comes_back(name: str, signal_number: int, seconds: float) -> None:
    """Hit the service's process; systemd has to put a new one in its place, and the record has to go on."""
    old = state()
    start, had = time.monotonic(), number("SELECT max(time_ms) FROM reading")
    os.kill(int(old["MainPID"]), signal_number)
    now = wait_state(
        lambda s: s["MainPID"] not in {old["MainPID"], "0"} and s["ActiveState"] == "active", seconds
    )
    took = round(time.monotonic() - start, 1)
    again = wait(lambda: number("SELECT max(time_ms) FROM reading") > had + 4000, 120)
    changed = now["MainPID"] not in {old["MainPID"], "0"} and now["ActiveState"] == "active"
    gap = number(
        "SELECT max(d) FROM (SELECT time_ms - lag(time_ms) OVER (ORDER BY time_ms) AS d, time_ms"
        f" FROM reading) WHERE time_ms > {had}"
    )
    trial(name, changed and again >= 0, back_after_s=took, records_after_s=again, gap_s=gap / 1000,
          restarts=now["NRestarts"], readings=rows())  # fmt: skip


def imports() -> None:
    """A CSV file brought in as the service's user while it logs, from a home that is closed to that user."""
    home, offered = Path("/home/bench"), Path("/srv/readings.csv")
    home.mkdir(mode=0o700)
    cells = [f"cell_{i:02d}_v" for i in range(1, 17)]
    with offered.open("w") as f:
        f.write(",".join(["timestamp", "pack_v", "pack_a", *cells]) + "\n")
        for minute in range(2 * 1440):
            when = datetime(2026, 11, 16, 23, tzinfo=UTC) + timedelta(minutes=minute)
            f.write(",".join([when.isoformat(), "53.10", "1.5", *["3.320"] * 16]) + "\n")
    (home / "closed.csv").write_text(offered.read_text())
    before, restarts = number("SELECT max(time_ms) FROM reading"), state()["NRestarts"]
    words = f"cd {home}; runuser -u bankbook -- bankbook import {{}} --pack B --config {CONFIG}; echo code=$?"
    refused = sh(words.format("closed.csv"), 600)
    said = sh(words.format(offered), 600)
    days = ask("SELECT day, row_count FROM sealed_day ORDER BY day")
    goes_on = wait(lambda: number("SELECT max(time_ms) FROM reading") > before + 4000, 30)
    owner = {f.owner() for f in RECORD.parent.iterdir()}
    good = "code=5" in refused and said.endswith("code=0") and len(days) == 2 and goes_on >= 0
    trial("imports-as-its-user", good and owner == {"bankbook"} and state()["NRestarts"] == restarts,
          refused=refused[-200:], said=said[-200:], days=days, owners=owner)  # fmt: skip


def running(word: str) -> bool:
    """Whether the service has a process with a word on its command line."""
    procs = Path("/sys/fs/cgroup/system.slice/bankbook.service/cgroup.procs")
    for pid in procs.read_text().split():
        try:
            if word.encode() in Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0"):
                return True
        except OSError:
            continue
    return False


def crosses_midnight() -> None:
    """Two minutes before midnight in Vienna: the day is sealed and the findings are computed, by itself."""
    sh(f"date -u -s '{EVENING:%F %T}'")
    say(sh(f"{PYTHON} {SOURCE}/tests/kernel/clock_is_right.py"))
    step = wait(lambda: number("SELECT max(time_ms) FROM reading") >= EVENING.timestamp() * 1000, 60)
    sealing = wait(lambda: bool(ask("SELECT 1 FROM sealed_day WHERE day = '2026-11-20'")), 900)
    midnight = (EVENING.timestamp() + 120) * 1000
    first = number(f"SELECT min(time_ms) FROM reading WHERE time_ms >= {midnight}")
    sealed = ask("SELECT name, row_count, last_ms FROM sealed_day WHERE day = '2026-11-20'")
    gap = (first - int(str(sealed[0][2]))) / 1000 if sealed else None
    left = number(f"SELECT count(*) FROM reading WHERE time_ms < {midnight}")
    told = ask("SELECT kind, detail FROM event WHERE kind IN ('clock_step', 'sealed', 'sealing')")
    good = step >= 0 and sealing >= 0 and left == 0 and gap is not None and gap < 3
    trial("seals-at-midnight", good, after_s=sealing, sealed=sealed, hot_rows_left=left,
          gap_over_midnight_s=gap, events=told)  # fmt: skip
    begun = wait(lambda: running("findings"), 900)
    took = wait(lambda: not running("findings"), 600)
    journal = sh("journalctl -u bankbook --no-pager | grep -i finding")
    trial("findings-after-midnight", begun >= 0 and took >= 0 and "could not" not in journal,
          begun_after_s=begun, took_s=took, journal=journal[-300:],
          findings=ask("SELECT kind, severity FROM finding"), **state())  # fmt: skip


def ends() -> None:
    start = time.monotonic()
    sh("systemctl stop bankbook", 200)
    took, now = round(time.monotonic() - start, 1), state()
    trial(
        "stops-cleanly", now["ActiveState"] == "inactive" and now["Result"] == "success", after_s=took, **now
    )
    verify = sh(f"runuser -u bankbook -- bankbook verify --config {CONFIG}; echo code=$?", 300)
    integrity = ask("PRAGMA integrity_check")
    trial("verifies", verify.endswith("code=0") and integrity == [("ok",)], integrity=integrity,
          said=verify[-300:])  # fmt: skip
    seen = Path("/sys/class/net/vxcan0/statistics")
    tx, rx = (int((seen / n).read_text()) for n in ("tx_packets", "rx_packets"))
    trial("never-transmits", tx == 0 and rx > 0, tx=tx, rx=rx)


def main() -> None:
    """Run the trials in order."""
    starts()
    takes_the_step()
    comes_back("watchdog-restarts-what-hangs", signal.SIGSTOP, 240)
    imports()
    comes_back("restarted-after-kill", signal.SIGKILL, 120)
    # Days are looked at 300 s, findings 600 s after a start: midnight comes in time for both.
    crosses_midnight()
    ends()


if __name__ == "__main__":
    code, sender = 1, None
    try:
        sender = subprocess.Popen(["sh", "-c", SENDER])
        main()
        code = 0
    finally:
        if sender is not None:
            sender.kill()
        say("SECURITY", sh("systemd-analyze security bankbook.service --no-pager 2>/dev/null | tail -1"))
        say("JOURNAL", sh("journalctl -u bankbook -o short-monotonic --no-pager | tail -60"))
        say(f"BENCH-EXIT {code}")
        sh("systemctl poweroff --force --force")
