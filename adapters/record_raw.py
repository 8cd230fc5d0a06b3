"""Record what is on a CAN bus as it comes, within bounds, to look at later."""

from __future__ import annotations

import asyncio
import queue
import re
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from adapters.assembler import Assembler
from adapters.binding import Binding
from adapters.can_port import port_to
from adapters.configs import CanConfig
from adapters.errors import ConfigError

if TYPE_CHECKING:
    import can

WAITING = 10_000
"""Frames that may wait to be written; beyond that they are dropped and counted."""
LINE = 60
"""Bytes a frame takes in the file, at most. [bytes]"""


@dataclass(slots=True)
class Recorded:
    """What became of a recording: frames written and dropped, bytes, and why it ended."""

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

    _refuse(path)
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


def _refuse(path: Path) -> None:
    if path.suffix != ".log":
        raise ConfigError(f"{path}: a recording ends in .log", "name it bus.log")
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
