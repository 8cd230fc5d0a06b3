"""A night of everything going wrong: `nice python tests/soak.py [--minutes 30] [--keep FOLDER]`.

A logger follows the simulated bank over Modbus TCP and CAN. Every minute something happens to it: the bank is
silent or gone, the clock steps or is unknown after a start, the disk is full or read-only, the process is
killed. At the end stands the ledger: readings offered, stored, lost and why. It fails if more is missing
than one commit interval for each kill. As root the disk is a small filesystem of its own; else it is spared.
"""

from __future__ import annotations

import argparse
import asyncio
import ctypes
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TextIO

from adapters.base import Subject
from adapters.configs import CanConfig, ModbusTcpConfig
from adapters.registry import make
from logger.record.damage import open_for_logging
from logger.record.store import Stamped, Store
from logger.recording.clock import ClockChange, Trust
from logger.recording.clock_system import SystemTime
from logger.recording.recorder import Feed, Recorder
from tests.orchard import free_port

MAPS = Path(__file__).parents[1] / "sample_data" / "maps"
COMMIT_S = 10.0
DISK = 24 << 20
HOUR = 3600.0


class SteppedTime(SystemTime):
    """The machine's clocks, with the step and the trust that a file asks for."""

    def __init__(self, control: Path) -> None:
        super().__init__(user_trusts=True)
        self._control = control

    def _asked(self) -> dict[str, Any]:
        asked: dict[str, Any] = json.loads(self._control.read_text())
        return asked

    def wall_s(self) -> float:
        return time.time() + float(self._asked()["step_s"])

    def trust(self) -> Trust:
        return Trust.USER if self._asked()["known"] else Trust.NONE

    def boot_id(self) -> str:
        return str(self._asked()["boot"])


class Book:
    """Writes down every reading that was offered, outside the disk that is made to fail."""

    def __init__(self, path: Path) -> None:
        self._out: TextIO = path.open("a", buffering=1)

    def reading(self, one: Stamped) -> None:
        self._out.write(f"r {one.subject.name} {one.time_ms} {int(one.provisional is not None)}\n")

    def source(self, name: str, up: bool, text: str, time_ms: int) -> None:
        self._out.write(f"s {name} {up} {time_ms} {text}\n")

    def moved(self, change: ClockChange) -> None:
        self._out.write(f"m {change.shift_ms}\n")


async def log(folder: Path, port: int, can_port: int) -> None:
    """Be the logger."""
    book = Book(folder / f"book-{time.time_ns()}.txt")
    store, _ = open_for_logging(str(folder / "disk" / "bank.db"), "Europe/Vienna")
    a = ModbusTcpConfig(name="a", pack="A", map=str(MAPS / "orchard-a.toml"), host="127.0.0.1", port=port)
    b = CanConfig(
        name="b", pack="B", interface="udp_multicast", channel="239.74.163.2", port=can_port,
        database=str(MAPS / "orchard-b.dbc"), binding=str(MAPS / "orchard-b.toml"),
    )  # fmt: skip
    recorder = Recorder(
        [Feed("a", make(a)), Feed("b", make(b))], store,
        time_source=SteppedTime(folder / "clock.json"), commit_s=COMMIT_S, listeners=[book],
    )  # fmt: skip
    writer = recorder._writer  # noqa: SLF001 - only to write the shift down
    settle = writer.settle

    def noted(change: ClockChange) -> None:
        settle(change)
        book.moved(change)

    writer.settle = noted  # type: ignore[method-assign]  # as above
    print(await recorder.run(signals=True), flush=True)
    recorder.store.close()


def mount(place: Path, flags: int, options: str) -> bool:
    """Mount or remount the small disk; False if that is not allowed."""
    return bool(ctypes.CDLL(None).mount(b"soak", os.fsencode(place), b"tmpfs", flags, options.encode()) == 0)


@dataclass
class Soak:
    """The bank, the logger, and what is done to them."""

    folder: Path
    port: int = 0
    can_port: int = 0
    bank: subprocess.Popen[bytes] | None = None
    logger: subprocess.Popen[bytes] | None = None
    kills: int = 0
    step_s: float = 0.0
    boots: int = 1
    own_disk: bool = False
    done: list[str] = field(default_factory=list)

    def begin(self) -> None:
        (self.folder / "disk").mkdir(parents=True, exist_ok=True)
        self.own_disk = mount(self.folder / "disk", 0, f"size={DISK}")
        self.port, self.can_port = free_port(), free_port()
        self.clock()
        self.start_bank()
        self.start_logger()

    def clock(self, *, known: bool = True) -> None:
        new = self.folder / "clock.new"
        new.write_text(json.dumps({"step_s": self.step_s, "known": known, "boot": f"boot-{self.boots}"}))
        new.replace(self.folder / "clock.json")

    def start_bank(self) -> None:
        self.bank = subprocess.Popen(
            [
                sys.executable,
                "-m",
                "sample_data.live",
                "--modbus-port",
                str(self.port),
                "--can-port",
                str(self.can_port),
            ],
            stdout=subprocess.DEVNULL,
            stderr=(self.folder / "bank.txt").open("ab"),
        )

    def start_logger(self) -> None:
        out = (self.folder / "logger.txt").open("ab")
        self.logger = subprocess.Popen(
            [sys.executable, __file__, "--log", str(self.folder), str(self.port), str(self.can_port)],
            stdout=out,
            stderr=out,
        )

    def running(self) -> subprocess.Popen[bytes]:
        assert self.logger is not None
        return self.logger

    # faults

    def silent_bank(self) -> None:
        """The bank does not answer for 12 s."""
        assert self.bank is not None
        self.bank.send_signal(signal.SIGSTOP)
        time.sleep(12)
        self.bank.send_signal(signal.SIGCONT)

    def bank_gone(self) -> None:
        """The bank is switched off for 8 s."""
        assert self.bank is not None
        self.bank.kill()
        self.bank.wait()
        time.sleep(8)
        self.start_bank()

    def clock_back(self) -> None:
        """The clock steps back an hour."""
        self.step_s -= HOUR
        self.clock()

    def clock_forward(self) -> None:
        """The clock steps forward two hours."""
        self.step_s += 2 * HOUR
        self.clock()

    def leap_over_a_day(self) -> None:
        """The clock leaps ahead by 26 h: a day ends and is sealed."""
        self.step_s += 26 * HOUR
        self.clock()

    def killed(self) -> None:
        """The logger is killed and started again."""
        self.running().kill()
        self.running().wait()
        self.kills += 1
        self.start_logger()

    def power_cut_without_a_clock(self) -> None:
        """The machine restarts with its clock in 1970, known after 20 s."""
        self.running().kill()
        self.running().wait()
        self.kills += 1
        self.boots += 1
        right, self.step_s = self.step_s, -time.time() + 30
        self.clock(known=False)
        self.start_logger()
        time.sleep(25)
        self.step_s = right
        self.clock()

    def disk_full(self) -> None:
        """The disk is full for 25 s."""
        filler = self.folder / "disk" / "photos"
        with filler.open("wb", buffering=0) as file:
            try:
                while True:
                    file.write(b"x" * 4096)
            except OSError:
                time.sleep(25)
        filler.unlink()

    def disk_read_only(self) -> None:
        """The disk is read-only for 20 s, where the kernel lets us while files are open."""
        if mount(self.folder / "disk", 33, ""):  # MS_REMOUNT | MS_RDONLY
            time.sleep(20)
            mount(self.folder / "disk", 32, "")

    def faults(self) -> list[Callable[[], None]]:
        plain = [
            self.killed, self.silent_bank, self.clock_back, self.bank_gone, self.clock_forward,
            self.power_cut_without_a_clock, self.leap_over_a_day,
        ]  # fmt: skip
        return [*plain, self.disk_full, self.killed, self.disk_read_only] if self.own_disk else plain

    def run(self, minutes: float) -> None:
        """Do one thing a minute."""
        began, faults = time.monotonic(), self.faults()
        number = 0
        while time.monotonic() - began < minutes * 60:
            time.sleep(max(began + number * 60 + 30 - time.monotonic(), 0))
            fault = faults[number % len(faults)]
            said = (fault.__doc__ or "").strip()
            print(f"{number:4d} min  {said}", flush=True)
            fault()
            self.done.append(said)
            if self.running().poll() is not None:
                raise SystemExit(f"the logger ended by itself: see {self.folder / 'logger.txt'}")
            number += 1
        time.sleep(20)

    def end(self) -> None:
        self.running().send_signal(signal.SIGTERM)
        self.running().wait(30)
        assert self.bank is not None
        self.bank.kill()
        self.bank.wait()


def offered(folder: Path) -> dict[str, list[int]]:
    """Return the time of every reading offered, by pack, as it should stand in the record."""
    out: dict[str, list[int]] = {"A": [], "B": []}
    for book in sorted(folder.glob("book-*.txt")):
        lines = [line.split() for line in book.read_text().splitlines()]
        shift = sum(int(line[1]) for line in lines if line[0] == "m")
        for line in lines:
            if line[0] == "r" and len(line) == 4:
                out[line[1]].append(int(line[2]) + (shift if line[3] == "1" else 0))
    return out


def ledger(soak: Soak) -> bool:
    """Print what became of everything; return whether no more is missing than may be."""
    said = offered(soak.folder)
    with Store.open(soak.folder / "disk" / "bank.db", write=True) as store:
        result = store.verify()
        whole = True
        allowed = soak.kills * (round(COMMIT_S) + 2)
        for name, times in said.items():
            subject = Subject(name)
            stored = [
                t
                for day in store.days(subject)
                for t in store.table(subject, day).column("time_ms").to_pylist()
            ]
            missing = sorted(set(times) - set(stored))
            extra = set(stored) - set(times)
            print(
                f"pack {name}: offered {len(times)}, stored {len(stored)}, missing {len(missing)} "
                f"(allowed {allowed}: {soak.kills} kills, {COMMIT_S:.0f} s each), "
                f"not offered {len(extra)}, same instant twice {len(times) - len(set(times))}"
            )
            whole &= len(missing) <= allowed and not extra
        print(
            f"verify: {'good' if result.ok else result.faults}; {result.days} sealed days, "
            f"{len(result.superseded)} superseded"
        )
        for kind in ("disk", "clock_set", "clock_step", "outage", "sealed", "damage"):
            events = store.events(kind=kind)
            print(
                f"events {kind}: {sum(e.count for e in events)}"
                + (f", last: {events[-1].detail}" if events else "")
            )
    return whole and result.ok


def main() -> int:
    """Run the soak, or be its logger."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--minutes", type=float, default=30)
    parser.add_argument("--keep", type=Path, help="folder for what it leaves; else a temporary one")
    parser.add_argument("--log", nargs=3, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.log:
        asyncio.run(log(Path(asked.log[0]), int(asked.log[1]), int(asked.log[2])))
        return 0
    folder = asked.keep or Path(tempfile.mkdtemp(prefix="bankbook-soak-"))
    soak = Soak(folder.absolute())
    soak.begin()
    try:
        soak.run(asked.minutes)
    finally:
        soak.end()
    good = ledger(soak)
    if soak.own_disk:
        ctypes.CDLL(None).umount2(os.fsencode(soak.folder / "disk"), 2)
    print("the ledger closes" if good else "MORE IS MISSING THAN MAY BE")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
