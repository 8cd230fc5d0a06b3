"""What is on this Modbus wire? Harmless reads only, through the same gate as everything else."""

from __future__ import annotations

import string
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from adapters import sunspec_models
from adapters.errors import BadFrame, MapError, SourceLost, SourceTimeout
from adapters.found import Found, toml_source
from adapters.likely import CellRow, cell_rows, fractions, sums, temperatures
from adapters.modbus_line import Line, NoSuchRegister, line_to
from adapters.places import Place, SerialPlace, TcpPlace
from adapters.planner import plan
from adapters.registers import SHIPPED, load_map

BAUDS = (9600, 115200, 19200, 38400, 57600)
"""Speeds to try, the likeliest first. [bit/s]"""
PARITIES = ("N", "E", "O")
UNITS = range(1, 17)
KNOCK = (0, 1, 0x100, 0x1000)
"""Registers to knock at; an answer that says "no such register" is an answer."""
STRETCHES = ((0x0000, 0x0400), (0x1000, 0x1100), (0x2000, 0x2040))
"""Registers to look through for something that looks like a battery."""
MOST_READS = 160
"""Reads a unit, at most, while looking through it."""

Progress = Callable[[str], None]


def _quiet(_: str) -> None:
    """Say nothing."""


async def probe_serial(
    port: str,
    *,
    bauds: Sequence[int] = BAUDS,
    parities: Sequence[str] = PARITIES,
    units: Sequence[int] = UNITS,
    maps: Sequence[Path] = (),
    progress: Progress = _quiet,
    timeout_s: float = 0.15,
) -> tuple[Found, ...]:
    """Try speeds, parities and unit ids on a serial port until somebody answers; then look closer.

    Parameters
    ----------
    port : str
        Serial port.
    bauds, parities, units : sequence
        What to try, in this order.
    maps : sequence of Path
        Register maps to try besides the shipped ones.
    progress : callable
        Called with a line for every setting that is tried.
    timeout_s : float
        How long to wait for an answer, wire time apart. [s]

    Returns
    -------
    tuple of Found
        Every unit that answered; empty if none.

    Raises
    ------
    SourceLost
        If the port cannot be opened.
    """
    noise: list[str] = []
    for parity in parities:
        for baud in bauds:
            place = SerialPlace(port, baud, parity, 1)
            progress(f"{baud} bit/s, parity {parity}")
            found = await _probe_place(place, units, maps, timeout_s + 300 / baud, noise)
            if found:
                return found
    if noise:
        doubts = (
            "somebody talks, but never in whole frames: another protocol, or another master on the line",
        )
        return (Found(f"bytes on {port} that are no Modbus", tuple(dict.fromkeys(noise))[:6], doubts),)
    return ()


async def probe_tcp(
    host: str,
    port: int = 502,
    *,
    units: Sequence[int] = UNITS,
    maps: Sequence[Path] = (),
    timeout_s: float = 0.5,
) -> tuple[Found, ...]:
    """Look for units behind a TCP address. Parameters, result and errors as in `probe_serial`."""
    return await _probe_place(TcpPlace(host, port), units, maps, timeout_s, [])


async def _probe_place(
    place: Place, units: Sequence[int], maps: Sequence[Path], timeout_s: float, noise: list[str]
) -> tuple[Found, ...]:
    line = line_to(place)
    line.drain_s = 0.03
    try:
        probe = _Probe(line, timeout_s, noise)
        there = [unit for unit in units if await probe.knock(unit)]
        return _together(place, [(unit, await _look(probe, unit, maps)) for unit in there])
    finally:
        line.leave()


def _together(place: Place, looked: Sequence[tuple[int, Found | None]]) -> tuple[Found, ...]:
    """Put units that answered, but have nothing to show, into one line at the end."""
    empty = ", ".join(str(unit) for unit, one in looked if one is None)
    found = [one for _, one in looked if one is not None]
    if empty:
        doubts = ("it refused every register looked at; a gateway may answer for units that are not there",)
        found.append(Found(f"unit {empty} on {place} answers, but shows nothing", (), doubts))
    return tuple(found)


class _Probe:
    """Reads that do not mind a refusal."""

    def __init__(self, line: Line, timeout_s: float, noise: list[str]) -> None:
        self.line = line
        self._timeout_s = timeout_s
        self._noise = noise
        self.reads = 0

    async def ask(self, unit: int, function: int, address: int, count: int) -> Sequence[int] | None:
        """Registers; None if the unit has them not.

        Raises
        ------
        SourceTimeout
            No answer.
        SourceLost
            The wire is gone.
        """
        self.reads += 1
        await self.line.connect(2.0)
        wire_s = count * 22 / self.line.place.baud if isinstance(self.line.place, SerialPlace) else 0.0
        try:
            return await self.line.ask(
                function=function, address=address, count=count, unit=unit, timeout_s=self._timeout_s + wire_s
            )
        except NoSuchRegister:
            return None
        except BadFrame as exc:
            self._noise.append(exc.message)
            if "answers" in exc.message:
                return None
            raise SourceTimeout(exc.message, exc.remedy) from exc

    async def knock(self, unit: int) -> bool:
        """Whether a unit answers, with registers or with a refusal."""
        try:
            await self.ask(unit, 3, 0, 1)
        except SourceTimeout:
            return False
        return True


async def _look(probe: _Probe, unit: int, maps: Sequence[Path]) -> Found | None:
    place = probe.line.place
    if await _is_sunspec(probe, unit):
        return _sunspec_found(place, unit)
    for path in (*maps, *sorted(SHIPPED.glob("*.toml"))):
        found = await _try_map(probe, unit, path)
        if found is not None:
            return found
    probe.reads = 0
    best: tuple[int, dict[int, int], list[CellRow]] | None = None
    read = {3: 0, 4: 0}
    for function in (3, 4):
        registers = await _look_through(probe, unit, function)
        read[function] = len(registers)
        rows = cell_rows(registers)
        if rows and (best is None or rows[0].merit > best[2][0].merit):
            best = (function, registers, rows)
    if best is None:
        if not any(read.values()):
            return None
        seen = f"it has {read[3]} of the registers looked at under function 3, {read[4]} under function 4"
        doubts = ("none of them look like cell voltages: it needs the maker's register list",)
        return Found(f"a Modbus unit {unit} on {place}", (seen,), doubts, _block(place, unit, "my-pack.toml"))
    return _cells_found(place, unit, *best)


async def _is_sunspec(probe: _Probe, unit: int) -> bool:
    for base in sunspec_models.BASES:
        try:
            mark = await probe.ask(unit, 3, base, 2)
        except SourceTimeout:
            continue
        if mark is not None and tuple(mark) == sunspec_models.MARK:
            return True
    return False


def _sunspec_found(place: Place, unit: int) -> Found:
    where: dict[str, str | float] = (
        {"kind": "sunspec-tcp", "host": place.host, "port": place.port}
        if isinstance(place, TcpPlace)
        else {"kind": "sunspec-rtu", "port": place.port, "baud": place.baud, "parity": place.parity}
    )
    doubts = ('check the sign of the current while charging: positive = "charge" or "discharge"',)
    block = toml_source(**_names(unit), **where, unit=unit)
    return Found(f"a SunSpec device, unit {unit} on {place}", ('the mark "SunS" is there',), doubts, block)


async def _try_map(probe: _Probe, unit: int, path: Path) -> Found | None:
    """Whether a known map fits: every read answered, its checks right, most values in range."""
    try:
        known = load_map(path)
    except MapError:
        return None
    values: dict[str, int] = {}
    rejected: dict[str, str] = {}
    try:
        for check in known.checks:
            registers = await probe.ask(unit, check.function, check.address, check.width)
            came = None if registers is None else check.read(registers)
            if came is None or not (
                came in check.among if check.among is not None else check.low <= came <= check.high
            ):
                return None
        for read in plan(known.items, bridge=known.bridge, max_read=known.max_read):
            registers = await probe.ask(unit, read.function, read.address, read.count)
            if registers is None:
                return None
            read.decode(registers, values, rejected)
    except SourceTimeout:
        return None
    if len(values) < 0.7 * len(known.channels) or "pack_v" not in values:
        return None
    evidence = [f'map "{known.name}" fits: {len(values)} of {len(known.channels)} values are plausible']
    evidence += [f"{len(known.checks)} checks of the map are right"] if known.checks else []
    doubts = ["check the sign of the current while charging"]
    doubts += [f"{name}: {why}" for name, why in list(rejected.items())[:4]]
    name = path.stem if path.parent == SHIPPED else str(path)
    return Found(
        f"unit {unit} on {probe.line.place} fits the map {known.name}", tuple(evidence), tuple(doubts),
        _block(probe.line.place, unit, name),
    )  # fmt: skip


async def _look_through(probe: _Probe, unit: int, function: int) -> dict[int, int]:
    registers: dict[int, int] = {}
    silent = 0
    for start, stop in STRETCHES:
        for at in range(start, stop, 64):
            for address, count in _halves(at, 64, registers):
                if probe.reads >= MOST_READS or silent >= 3:
                    return registers
                try:
                    words = await probe.ask(unit, function, address, count)
                except SourceTimeout:
                    silent += 1
                    break
                except SourceLost:
                    return registers
                if words is not None:
                    registers.update(zip(range(address, address + count), words, strict=True))
    return registers


def _halves(address: int, count: int, registers: dict[int, int]) -> Iterator[tuple[int, int]]:
    """A block, then its parts down to 4 registers as long as the part before was refused."""
    yield address, count
    if address in registers or count <= 4:
        return
    yield from _halves(address, count // 2, registers)
    yield from _halves(address + count // 2, count // 2, registers)


def _cells_found(
    place: Place, unit: int, function: int, registers: dict[int, int], rows: list[CellRow]
) -> Found:
    row = rows[0]
    taken = set(range(row.address, row.address + row.stride * row.count, row.stride))
    shown = " ".join(f"{volt:.3f}" for volt in row.volts)
    evidence = [
        f"function {function}, {row.count} registers from 0x{row.address:04X}"
        + (f" every {row.stride}" if row.stride > 1 else "")
        + f" look like cells in steps of {row.scale_v:g} V: {shown} V"
    ]
    doubts = [] if row.count in {15, 16} else [f"{row.count} cells in a row is unusual for 48 V"]
    totals = [hit for hit in sums(registers, row.sum_v) if hit[0] not in taken]
    for address, scale_v in totals[:3]:
        volts = registers[address] * scale_v
        evidence.append(f"0x{address:04X} reads {volts:.2f} V; the cells add up to {row.sum_v:.2f} V")
    temps = temperatures(registers, taken | {address for address, _ in totals})
    ways: dict[tuple[int, int], list[str]] = {}
    for address, count, words, degrees in temps:
        told = " ".join(f"{degree:g}" for degree in degrees)
        ways.setdefault((address, count), []).append(f"{told} °C ({words})")
    for (address, count), readings in list(ways.items())[:3]:
        evidence.append(
            f"0x{address:04X}, {count} registers, might be temperatures: " + ", or ".join(readings)
        )
    warm = {address + n for address, count, _, _ in temps for n in range(count)}
    socs = fractions(registers, taken | warm | {address for address, _ in totals})
    if socs:
        shown = ", ".join(f"0x{address:04X} ({how})" for address, how in socs[:6])
        doubts.append(f"state of charge may be at {shown}: compare with the pack's screen")
    doubts.append("the current cannot be told from one look: find it in the maker's list, and check its sign")
    return Found(
        what=f"unit {unit} on {place} shows {row.count} cell voltages",
        evidence=tuple(evidence),
        doubts=tuple(doubts),
        source=_block(place, unit, "my-pack.toml"),
        draft=_draft(function, row, totals[:1]),
    )


def _names(unit: int) -> dict[str, str]:
    """Names to propose: A for unit 1, B for unit 2, so that several units make several packs."""
    letter = string.ascii_uppercase[unit - 1] if 1 <= unit <= 26 else str(unit)
    return {"name": f"pack-{letter.lower()}", "pack": letter}


def _block(place: Place, unit: int, map_name: str) -> str:
    if isinstance(place, TcpPlace):
        return toml_source(
            **_names(unit),
            kind="modbus-tcp",
            host=place.host,
            port=place.port,
            unit=unit,
            map=map_name,
        )
    return toml_source(
        **_names(unit), kind="modbus-rtu", port=place.port, baud=place.baud, parity=place.parity,
        stopbits=place.stopbits, unit=unit, map=map_name,
    )  # fmt: skip


def _draft(function: int, row: CellRow, totals: Sequence[tuple[int, float]]) -> str:
    lines = [
        "[map]",
        'name = "my-pack"',
        'source = "found by bankbook probe; check against the maker\'s list"',
        "",
    ]
    lines += [
        "[wire]",
        f"function = {function}",
        "",
        "[[register]]",
        'channel = "cell_01_v"',
        f"count = {row.count}",
    ]
    lines += [f"address = 0x{row.address:04X}", 'type = "u16"', f"scale = {row.scale_v:g}", 'unit = "V"']
    lines += [f"stride = {row.stride}"] if row.stride > 1 else []
    for address, scale_v in totals:
        lines += ["", "[[register]]", 'channel = "pack_v"', f"address = 0x{address:04X}", 'type = "u16"']
        lines += [f"scale = {scale_v:g}", 'unit = "V"']
    return "\n".join(lines) + "\n"
