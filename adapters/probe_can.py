"""What is on this CAN bus? Listening only."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from adapters.assembler import Assembler
from adapters.binding import EXTENDED, Binding, load_binding, wanted_keys
from adapters.can_port import port_to
from adapters.configs import CanConfig
from adapters.errors import MapError
from adapters.found import Found, toml_source
from adapters.likely import CELL_HIGH_V, CELL_LOW_V, CELL_SCALES_V, CELL_SPREAD_V, words_of
from adapters.registers import SHIPPED

if TYPE_CHECKING:
    import can

SERIAL_BITRATES = (500_000, 250_000, 125_000, 1_000_000)
"""Speeds to try with a serial adapter, which can be told its speed. [bit/s]"""
MOST_IDS = 2048
"""Identifiers to remember; noise makes up any number of them."""
Progress = Callable[[str], None]


@dataclass(slots=True)
class Heard:
    """What came with one identifier.

    Attributes
    ----------
    count : int
        Frames.
    lengths : set of int
        Their lengths. [bytes]
    last : dict of int to bytes
        Newest payload by first byte, so that multiplexed frames show all their parts; at most 32.
    """

    count: int = 0
    lengths: set[int] = field(default_factory=set)
    last: dict[int, bytes] = field(default_factory=dict)

    def take(self, payload: bytes) -> None:
        """Take a frame."""
        self.count += 1
        self.lengths.add(len(payload))
        first = payload[0] if payload else -1
        if first in self.last or len(self.last) < 32:
            self.last[first] = payload


async def listen(config: CanConfig, seconds: float) -> dict[int, Heard]:
    """Listen to a bus and sort what comes by frame key.

    Raises
    ------
    SourceLost
        If the bus cannot be opened, or goes.
    """
    heard: dict[int, Heard] = {}

    def tap(frame: can.Message) -> None:
        key = frame.arbitration_id | EXTENDED if frame.is_extended_id else frame.arbitration_id
        if key in heard or len(heard) < MOST_IDS:
            heard.setdefault(key, Heard()).take(bytes(frame.data))

    port = port_to(config)
    nobody = Assembler(Binding("probe", "", "", "", ()))
    port.tap(tap)
    try:
        await port.join(nobody, ())
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            port.check()
            await asyncio.sleep(0.05)
    finally:
        port.untap(tap)
        await port.leave(nobody)
    return heard


def _quiet(_: str) -> None:
    """Say nothing."""


async def probe_can(
    interface: str,
    channel: str,
    *,
    bitrate: int | None = None,
    port: int = 0,
    seconds: float = 5.0,
    progress: Progress = _quiet,
) -> tuple[Found, ...]:
    """Listen to a bus, compare it with the frame sets that are known, and point at what looks like cells.

    Parameters
    ----------
    interface, channel, port : str, str, int
        As in `CanConfig`.
    bitrate : int or None
        Speed; None tries the usual ones on a serial adapter. [bit/s]
    seconds : float
        How long to listen at each speed. [s]
    progress : callable
        Called with a line for every speed that is tried.

    Returns
    -------
    tuple of Found
        What was recognised, then what was heard at all; empty if the bus is silent.

    Raises
    ------
    SourceLost
        If the bus cannot be opened.
    """
    speeds = (bitrate,) if bitrate is not None else SERIAL_BITRATES if interface == "slcan" else (500_000,)
    for speed in speeds:
        progress(f"listening to {interface} {channel} at {speed // 1000} kbit/s")
        config = CanConfig(
            name="probe",
            pack="A",
            interface=interface,
            channel=channel,
            binding="probe",
            bitrate=speed,
            port=port,
        )
        heard = await listen(config, seconds)
        if heard:
            return (*_known(config, heard), *_cells(config, heard), _everything(config, heard, seconds))
    return ()


def _block(config: CanConfig, **more: str) -> str:
    keys: dict[str, str | float] = {
        "name": "pack-a", "pack": "A", "kind": "can", "interface": config.interface,
        "channel": config.channel,
        "bitrate": config.bitrate,
    }  # fmt: skip
    if config.port:
        keys["port"] = config.port
    return toml_source(**keys, **more)


def _known(config: CanConfig, heard: Mapping[int, Heard]) -> list[Found]:
    found = []
    for path in sorted(SHIPPED.glob("*.dbc")):
        try:
            binding = load_binding(path.with_suffix(".toml"), path)
        except MapError:
            continue
        one = _compare(config, binding, path.stem, heard)
        if one is not None:
            found.append(one)
    return found


def _compare(config: CanConfig, binding: Binding, name: str, heard: Mapping[int, Heard]) -> Found | None:
    assembler = Assembler(binding)
    wanted = wanted_keys((binding,))
    there = sorted(wanted & heard.keys())
    for key in there:
        for payload in heard[key].last.values():
            assembler.take(key, payload, 0.0)
    values, rejected = assembler.snapshot(0.0)
    enough = len(there) >= max(2, 0.3 * len(wanted)) and "pack_v" in values
    if not enough or len(rejected) > 0.3 * len(values):
        return None
    evidence = [
        f"{len(there)} of its {len(wanted)} identifiers are there: " + ", ".join(shown(key) for key in there),
        f"pack voltage would be {values['pack_v'] / 100:.2f} V",
    ]
    if "soc" in values:
        evidence.append(f"state of charge would be {values['soc'] / 100:.0f} %")
    doubts = [
        "compare voltage, current and state of charge with the pack's screen; check the sign of the current"
    ]
    if not any(channel.startswith("cell_") for channel in binding.channels):
        doubts.append(
            "it carries no single cells: bankbook cannot find a weak cell with it; look for another port"
        )
    return Found(f"frame set {name}", tuple(evidence), tuple(doubts), _block(config, binding=name))


@dataclass(frozen=True, slots=True)
class _Words:
    key: int
    first: int | None
    start: int
    little: bool
    scale_v: float
    volts: tuple[float, ...]


def _cells(config: CanConfig, heard: Mapping[int, Heard]) -> list[Found]:
    """Frames whose 16-bit words all look like cell voltages, put together by byte order, place and step."""
    ways: dict[tuple[bool, int, float], list[_Words]] = {}
    for key, one in sorted(heard.items()):
        muxed = len(one.last) > 1
        for first, payload in sorted(one.last.items()):
            for words in _ways(key, first if muxed else None, payload):
                ways.setdefault((words.little, words.start, words.scale_v), []).append(words)
    best = max(ways.values(), key=lambda row: sum(len(words.volts) for words in row), default=[])
    count = sum(len(words.volts) for words in best)
    if count < 4:
        return []
    volts = [volt for words in best for volt in words.volts]
    order = "little" if best[0].little else "big"
    keys = list(dict.fromkeys(words.key for words in best))
    layout = f"{count} words of 16 bits, {order}-endian from byte {best[0].start}"
    places = ", ".join(shown(key) for key in keys[:8])
    evidence = [
        f"{layout}, look like cells in steps of {best[0].scale_v:g} V, in {places}",
        "they read " + " ".join(f"{volt:.3f}" for volt in volts[:32]) + " V",
    ]
    if any(words.first is not None for words in best):
        evidence.append("their first byte counts: it seems to say which cells a frame carries")
    doubts = ["the order of the cells is a guess: compare with the pack's screen"]
    doubts += [] if count in {15, 16, 30, 32} else [f"{count} is an unusual number of cells"]
    block = _block(config, database="my-pack.dbc", binding="my-pack.toml")
    return [
        Found("frames that look like cell voltages", tuple(evidence), tuple(doubts), block, *_drafts(best))
    ]


def _ways(key: int, first: int | None, payload: bytes) -> list[_Words]:
    found = []
    starts = (1, 2) if first is not None else (0,)
    for start in starts:
        for little in (True, False):
            raws = [raw for raw in words_of(payload, little=little, start=start) if raw not in {0, 0xFFFF}]
            for scale_v in CELL_SCALES_V:
                volts = tuple(round(raw * scale_v, 4) for raw in raws)
                enough = len(volts) > 1 or (volts and first is not None)
                likely = all(CELL_LOW_V <= v <= CELL_HIGH_V for v in volts)
                if enough and likely and max(volts) - min(volts) <= CELL_SPREAD_V:
                    found.append(_Words(key, first, start, little, scale_v, volts))
    return found


def _drafts(row: Sequence[_Words]) -> tuple[str, str]:
    """Draft binding and database for a row of words that look like cells."""
    lines = ['VERSION "found by bankbook probe; check it"', ""]
    number = 0
    for key in dict.fromkeys(words.key for words in row):
        parts = [words for words in row if words.key == key]
        lines.append(f"BO_ {key} Cells_{key & ~EXTENDED:X}: 8 Pack")
        if parts[0].first is not None:
            lines.append(f' SG_ Part_{key & ~EXTENDED:X} M : 0|8@1+ (1,0) [0|0] "" X')
        for words in parts:
            mark = "" if words.first is None else f" m{words.first}"
            for place in range(len(words.volts)):
                number += 1
                bit = 8 * (words.start + 2 * place) + (0 if words.little else 7)
                order = "1" if words.little else "0"
                lines.append(
                    f' SG_ Cell{number:02d}{mark} : {bit}|16@{order}+ ({words.scale_v:g},0) [0|0] "V" X'
                )
        lines.append("")
    binding = [
        "[binding]", 'name = "my-pack"', 'source = "found by bankbook probe; check the maker\'s list"', "",
        "[[signal]]", 'signal = "Cell{nn}"', 'channel = "cell_01_v"', f"count = {min(number, 32)}", "",
    ]  # fmt: skip
    return "\n".join(binding), "\n".join(lines) + "\n"


def _everything(config: CanConfig, heard: Mapping[int, Heard], seconds: float) -> Found:
    lines = []
    for key, one in sorted(heard.items())[:64]:
        lengths = "/".join(map(str, sorted(one.lengths)))
        lines.append(f"{shown(key)}: {one.count / seconds:.1f} a second, {lengths} bytes")
    if len(heard) > len(lines):
        lines.append(f"and {len(heard) - len(lines)} more identifiers")
    return Found(f"{len(heard)} identifiers on {config.interface} {config.channel}", tuple(lines))


def shown(key: int) -> str:
    """A frame key for people: 0x356, or 0x18FF50E5 with 29 bits."""
    return f"0x{key & ~EXTENDED:08X}" if key & EXTENDED else f"0x{key:03X}"
