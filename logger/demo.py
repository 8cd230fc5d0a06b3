"""The demo: a simulated bank with eight weeks of past, logged live over the real protocols, and its report.

The bank is a child process that serves pack A over Modbus TCP and pack B over CAN frames on loopback; the
logger is a second one, started as a user would start it. Nothing is handed over but bytes on those wires.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from adapters.base import Subject
from adapters.errors import ConfigError, SourceError, StoreLocked
from logger.config import Config
from logger.demo_processes import Said, free_port, logger_process, simulated_bank
from logger.record.opening import open_record
from logger.status import logger_runs

if TYPE_CHECKING:
    from analysis.finding import Finding
    from analysis.history import Bank
    from sample_data.state import BankState

MARK = "# Written by `bankbook demo`, and overwritten by it."
MAP_A, MAP_HALL = "orchard-a.toml", "orchard-hall.toml"
DATABASE_B, BINDING_B = "orchard-b.dbc", "orchard-b.toml"
BANK_TOML = """{mark}
[site]
name = "Hill orchard cider house (simulated)"
timezone = "{zone}"

[record]
file = "bank.db"
commit_s = 1          # for the demo's live view; 10 is kinder to a memory card
clock = "trusted"

[[pack]]
name = "A"
rated_ah = 280
temps = 5
cell_temps = 4
heater_w = 140
heater_measured = "inside"

[[pack]]
name = "B"
rated_ah = 280
temps = 5
cell_temps = 4
heater_w = 140
heater_measured = "inside"

[[witness]]
name = "hall"
place = "inverter in the pressing hall"

[[source]]
name = "bus-a"
kind = "modbus-tcp"
pack = "A"
host = "127.0.0.1"
port = {port}
map = "{maps}/{map}"

[[source]]
name = "bus-b"
kind = "can"
pack = "B"
interface = "udp_multicast"
channel = "239.74.163.2"
port = {can_port}
database = "{maps}/{database}"
binding = "{maps}/{binding}"

[[source]]
name = "bus-hall"
kind = "modbus-tcp"
witness = "hall"
host = "127.0.0.1"
port = {port}
unit = 2
map = "{maps}/{map_hall}"
"""


def run(folder: Path, *, weeks: int = 8, seconds: int = 20) -> None:
    """Run the demo.

    Parameters
    ----------
    folder : Path
        Where its files go; made if needed. What an earlier demo left there is replaced.
    weeks : int
        Weeks of history.
    seconds : int
        How long to log live. [s]

    Raises
    ------
    ConfigError
        If the folder has somebody else's files.
    SourceError
        If the simulated bank does not come up.
    """
    began = time.monotonic()
    console = Console(highlight=False)
    config = prepare(folder)
    console.print(f"[bold]1  {weeks} weeks of the past[/] into {config.database}")
    state = folder / "state.json"
    make_history(config, weeks, state, console)
    console.print(f"\n[bold]2  Logging live for {seconds} s[/]: pack A over Modbus TCP, pack B over CAN")
    with simulated_bank(config, state), logger_process(config) as logging:
        watch_live(config, seconds, logging)
    console.print("\n[bold]3  Sealing, digesting, reporting[/]")
    conclude(config, console)
    took, around = time.monotonic() - began, f"{_program()} status --config {_short(config.path)}"
    console.print(f"\nThe demo took {took:.0f} s. Look around: {around}", soft_wrap=True)


def prepare(folder: Path) -> Config:
    """Make the folder and its bank.toml; take away what an earlier demo left.

    Raises
    ------
    ConfigError
        If the folder holds a bank.toml that no demo wrote.
    StoreLocked
        If a logger is at work there.
    """
    file = folder / "bank.toml"
    if file.exists() and MARK not in file.read_text(encoding="utf-8", errors="replace"):
        raise ConfigError(
            f"{file} is not from a demo", "choose another --folder; the demo replaces what it finds"
        )
    if folder.exists() and not folder.is_dir():
        raise ConfigError(f"{folder} is not a folder", "choose another --folder")
    if logger_runs(str(folder / "bank.db")):
        raise StoreLocked(f"a logger writes {folder / 'bank.db'}", "stop it, or choose another --folder")
    folder.mkdir(parents=True, exist_ok=True)
    for old in folder.glob("bank.db*"):
        old.unlink()
    shutil.rmtree(folder / "reports", ignore_errors=True)
    import sample_data

    maps = Path(sample_data.__file__).parent / "maps"
    text = BANK_TOML.format(
        mark=MARK, zone=_zone(), port=free_port(), can_port=free_port(), maps=maps.as_posix(),
        map=MAP_A, database=DATABASE_B, binding=BINDING_B, map_hall=MAP_HALL,
    )  # fmt: skip
    file.write_text(text, encoding="utf-8")
    return Config.load(file)


def make_history(config: Config, weeks: int, state_file: Path, console: Console) -> None:
    """Simulate the weeks before now and put them into the record; leave the bank's end state in a file."""
    from sample_data.history import simulate
    from sample_data.orchard import ORCHARD
    from sample_data.state import initial, save

    now_s = time.time()
    today = datetime.fromtimestamp(now_s, ZoneInfo(ORCHARD.timezone)).date()
    first, days = today - timedelta(weeks=weeks), 7 * weeks + 1
    state: BankState = initial(ORCHARD)
    end_s = now_s
    with open_record(config, "write") as store, _progress(console) as bar, store.adopting() as adopter:
        task = bar.add_task("days, 1 reading a second and pack", total=days)
        for day in simulate(ORCHARD, first, days, state=state, until_s=now_s):
            for name, table in day.witness.items():
                adopter.put(Subject(name, "witness"), table)
            for name, table in day.tables.items():
                adopter.put(Subject(name), table)
                end_s = int(table["time_ms"][-1].as_py()) / 1000
            bar.advance(task)
        done = adopter.flush()
    save(state, state_file, time_s=end_s)
    size = Path(config.database).stat().st_size / 1e6
    console.print(f"   {done.rows:,} readings, {done.sealed} days sealed, {size:.0f} MB")


def watch_live(config: Config, seconds: int, logging: subprocess.Popen[str]) -> None:
    """Show the packs from the record while the logger fills it.

    Raises
    ------
    SourceError
        If the logger ends by itself.
    """
    from logger.live import look

    end = time.monotonic() + seconds
    said = Said(logging)

    def left() -> str:
        return f"{max(0, end - time.monotonic()):.0f} s to go; this is read from the record beside the logger"

    with open_record(config) as store:
        look(store, config, seconds=seconds, whole_screen=False, note=left)
    if logging.poll() is not None:
        raise SourceError(f"the logger ended by itself: {said.last}", "run `bankbook log` by hand to see why")


def conclude(config: Config, console: Console) -> None:
    """Seal what is due, write the weekly report, and say in plain words what was found."""
    from analysis.findings import findings
    from logger.documents.week import write_week
    from logger.record.histories import bank, last_whole_week

    with open_record(config, "write") as store:
        store.seal_due()
        whole = bank(store, config)
        found = findings(whole)
        store.save_findings(found)
        live = {name: store.latest(Subject(name)) for name in config.pack_names}
        checked = store.verify(deep=False)
        pages = write_week(store, config, last_whole_week(config, time.time()))
    for name, reading in live.items():
        if reading is not None:
            moment = datetime.fromtimestamp(reading.time_ms / 1000, config.zone)
            console.print(f"   pack {name}: {len(reading.values)} channels, the last at {moment:%H:%M:%S}")
    console.print(
        f"   {checked.days} sealed days verified: {'all as sealed' if checked.ok else 'NOT as sealed'}"
    )
    console.print("\n[bold]What was found[/]")
    say(found, whole, console)
    console.print("\n[bold]The weekly report[/]")
    for page in pages:
        console.print(f"   {_short(page)}", soft_wrap=True)


def say(found: tuple[Finding, ...], whole: Bank, console: Console) -> None:
    """Say the findings in words, and name the packs about which there is nothing to say."""
    from logger.tables import show_findings

    show_findings(found, whole, console)
    for history in whole.packs:
        name = history.facts.name
        serious = [f for f in found if f.pack == name and f.severity != "note"]
        if not serious:
            console.print(f"   Pack {name}: nothing wrong in {len(history.digests)} days.")


def _progress(console: Console) -> Progress:
    return Progress(
        TextColumn("  "), BarColumn(), TextColumn("{task.completed}/{task.total} {task.description}"),
        TimeElapsedColumn(), console=console, transient=not console.is_terminal,
    )  # fmt: skip


def _program() -> str:
    """Return the command as it can be typed here."""
    own = Path(sys.executable).parent / "bankbook"
    return "bankbook" if shutil.which("bankbook") or not own.exists() else _short(own)


def _zone() -> str:
    from sample_data.orchard import ORCHARD

    return ORCHARD.timezone


def _short(path: Path) -> str:
    """Return a path as one would type it here."""
    return os.path.relpath(path) if path.is_relative_to(Path.cwd()) else str(path)
