"""Record what comes over a wire as it comes, within bounds: CAN frames, or answers to register reads."""

from __future__ import annotations

import asyncio
import queue
import re
import time
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING

from adapters.assembler import Assembler
from adapters.binding import Binding
from adapters.can_port import port_to
from adapters.configs import CanConfig, ModbusRtuConfig, ModbusTcpConfig
from adapters.errors import BadFrame, ConfigError, SourceLost, SourceTimeout
from adapters.modbus_line import Line, line_to
from adapters.on_line import place_of
from adapters.planner import Read, Rounds
from adapters.raw_registers import COLUMNS, LONGEST_LINE, SUFFIX, TITLE, RawRead
from adapters.registers import RegisterMap, find_map, load_map

if TYPE_CHECKING:
    import can

WAITING = 10_000
"""Frames that may wait to be written; beyond that they are dropped and counted."""
LINE = 60
"""Bytes a frame takes in the file, at most. [bytes]"""


@dataclass(slots=True)
class Recorded:
    """What became of a recording: frames (or reads) written and lost, bytes, and why it ended."""

    frames: int = 0
    dropped: int = 0
    bytes: int = 0
    ended: str = ""


async def record_can(
    config: CanConfig, path: Path, *, seconds: float = 60.0, most_bytes: int = 50_000_000
) -> Recorded:
    """Write every frame of a bus into a candump log, which `adapters.captures` reads again.

    Parameters
    ----------
    config : CanConfig
        The bus.
    path : Path
        New file, ending in .log.
    seconds : float
        Longest duration. [s]
    most_bytes : int
        Largest file. [bytes]

    Raises
    ------
    ConfigError
        If the file exists or has another ending.
    SourceLost
        If the bus cannot be opened, or goes; what was recorded stays.
    """
    import can

    _refuse(path, ".log")
    done = Recorded()
    waiting: queue.Queue[can.Message] = queue.Queue(WAITING)

    def tap(frame: can.Message) -> None:
        try:
            waiting.put_nowait(frame)
        except queue.Full:
            done.dropped += 1

    name = re.sub(r"\W+", "_", config.channel)[-16:]
    port = port_to(config)
    nobody = Assembler(Binding("record", "", "", "", ()))
    port.tap(tap)
    try:
        await port.join(nobody, ())
        with can.CanutilsLogWriter(str(path)) as writer:
            until = time.monotonic() + seconds
            while not done.ended:
                port.check()
                _drain(waiting, writer, done, most_bytes, name)
                if time.monotonic() >= until:
                    done.ended = f"after {seconds:g} s"
                await asyncio.sleep(0.05)
    finally:
        port.untap(tap)
        await port.leave(nobody)
    done.bytes = _size(path)
    return done


async def record_registers(
    config: ModbusTcpConfig | ModbusRtuConfig,
    path: Path,
    *,
    seconds: float = 60.0,
    most_bytes: int = 50_000_000,
) -> Recorded:
    """Write every answer to the reads of a source's map into a file, which `adapters.captures` reads again.

    The map need not fit: what the unit refuses is left out, with its words as a remark in the file.

    Parameters
    ----------
    config : ModbusTcpConfig or ModbusRtuConfig
        The source; its map says which registers.
    path : Path
        New file, ending in .reg.
    seconds, most_bytes : float, int
        As in `record_can`. [s], [bytes]

    Raises
    ------
    ConfigError, MapError
        If the file exists or has another ending; if the map is wrong.
    SourceLost
        If the wire cannot be opened.
    """
    _refuse(path, SUFFIX)
    register_map = load_map(find_map(config.map, config.folder))
    done, rounds, number = Recorded(), Rounds(register_map), 0
    line = line_to(place_of(config))
    try:
        await line.connect(max(config.timeout_s, 1.0))
        with path.open("x", encoding="ascii", errors="replace") as file:
            file.write(f"{TITLE}\n# {line.place} unit {config.unit}, map {register_map.name}\n{COLUMNS}\n")
            until = due = time.monotonic()
            until += seconds
            while not done.ended:
                for read in rounds.reads(number):
                    await _record(line, config, register_map, read, number, file, done)
                    if file.tell() + LONGEST_LINE > most_bytes:
                        done.ended = f"the file reached {most_bytes} bytes"
                        break
                number, due = number + 1, due + config.period_s
                if due > until:
                    done.ended = done.ended or f"after {seconds:g} s"
                await asyncio.sleep(0 if done.ended else max(0.0, due - time.monotonic()))
    except SourceLost as exc:
        if not done.frames:
            raise
        done.ended = exc.message
    finally:
        line.leave()
    done.bytes = _size(path)
    return done


async def _record(
    line: Line,
    config: ModbusTcpConfig | ModbusRtuConfig,
    register_map: RegisterMap,
    read: Read,
    number: int,
    file: IO[str],
    done: Recorded,
) -> None:
    try:
        words = await line.ask(
            function=read.function,
            address=read.address,
            count=read.count,
            unit=config.unit,
            timeout_s=config.timeout_s,
            pause_s=register_map.pause_s,
        )
    except (BadFrame, SourceTimeout) as exc:
        file.write(f"# round {number}: {exc.message}\n")
        done.dropped += 1
        return
    file.write(RawRead(number, time.time(), config.unit, read.function, read.address, words).line())
    done.frames += 1


def _refuse(path: Path, suffix: str) -> None:
    if path.suffix != suffix:
        raise ConfigError(f"{path}: this recording ends in {suffix}", f"name it {path.stem}{suffix}")
    if path.exists():
        raise ConfigError(f"{path}: the file exists", "choose another name; nothing is overwritten")


def _size(path: Path) -> int:
    return path.stat().st_size


def _drain(
    waiting: queue.Queue[can.Message], writer: can.CanutilsLogWriter, done: Recorded, most: int, name: str
) -> None:
    while not waiting.empty():
        if (done.frames + 1) * LINE > most:
            done.ended = f"the file reached {most} bytes"
            return
        frame = waiting.get_nowait()
        # A driver without clock of its own stamps nothing; then the time of arrival must do.
        frame.timestamp = frame.timestamp or time.time()
        frame.channel = name
        writer.on_message_received(frame)
        done.frames += 1
