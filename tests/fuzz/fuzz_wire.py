"""Coverage-guided fuzzing of everything that reads what strangers send: wires, maps, files.

Not part of the ordinary run, and `atheris` is no dependency: install it where you fuzz, then

    pip install atheris
    python tests/fuzz/fuzz_wire.py CORPUS -max_total_time=600

The first byte of an input chooses the target. A finding is any exception that is not one of ours, a value
out of its channel's range, or more than 512 MB of memory (libFuzzer's -rss_limit_mb).
"""

from __future__ import annotations

import contextlib
import sys
import tempfile
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["adapters"]):
    from adapters.assembler import Assembler
    from adapters.binding import Binding, find_binding, load_binding, load_database, parse_binding
    from adapters.can_inlet import SerialInlet
    from adapters.captures import rounds
    from adapters.channels import CATALOGUE
    from adapters.csv_import import read_tables
    from adapters.errors import BankbookError
    from adapters.likely import cell_rows, fractions, sums, temperatures
    from adapters.planner import Rounds
    from adapters.raw_registers import TITLE
    from adapters.registers import parse_map
    from adapters.sunspec_decode import Battery, Model, decode
    from adapters.toml_file import TomlFile

FOLDER = Path(tempfile.mkdtemp(prefix="bankbook-fuzz-"))
SHIPPED: Binding = load_binding(*find_binding("common-closed-loop", None, None))
KEYS = sorted(Assembler(SHIPPED).keys)
MAP = (
    '[map]\nname="m"\nsource="s"\n[[register]]\nchannel="cell_01_v"\ncount=16\naddress=0\ntype="u16"\nunit="mV"\n'
    '[[register]]\nchannel="pack_a"\naddress=20\ntype="s32"\nscale=0.1\nunit="A"\npositive="charge"\n'
    '[[register]]\nchannel="soc"\naddress=22\ntype="f32"\nunit="%"\n'
)
REGISTERS = parse_map(TomlFile("m", MAP))
DBC = b'VERSION ""\n\nBO_ 256 Status: 8 X\n SG_ Volts : '
BINDING = '[binding]\nname="b"\nsource="s"\n[[signal]]\nsignal="Volts"\nchannel="pack_v"\nunit="V"\n'


def _in_range(values: dict[str, int]) -> None:
    for name, stored in values.items():
        channel = CATALOGUE[name]
        if not channel.low - 1e-9 <= stored * channel.scale <= channel.high + 1e-9:
            raise AssertionError(f"{name} = {stored}")


def _words(payload: bytes, count: int) -> list[int]:
    padded = payload[: 2 * count].ljust(2 * count, b"\xff")
    return [int.from_bytes(padded[n : n + 2], "big") for n in range(0, 2 * count, 2)]


def registers(payload: bytes) -> None:
    """A known map over any registers, and the probe's eye on them."""
    for read in Rounds(parse_map(TomlFile("m", MAP))).reads(0):
        values: dict[str, int] = {}
        read.decode(_words(payload, read.count), values, {})
        _in_range(values)
    there = dict(enumerate(_words(payload, 64)))
    for row in cell_rows(there):
        sums(there, row.sum_v)
    temperatures(there, set())
    fractions(there, set())


def sunspec(payload: bytes) -> None:
    """Models of any length with any registers."""
    length = payload[0] if payload else 0
    battery, bank, string = (Model(number, 0, length) for number in (802, 803, 804))
    whole = Battery(battery, bank, string, (Model(805, 0, max(length, 42)),))
    values, _ = decode(whole, dict(enumerate(_words(payload[1:], 300))), 1)
    _in_range(values)


def frames(payload: bytes) -> None:
    """Any frames to the shipped binding."""
    assembler = Assembler(SHIPPED)
    at = 0
    while at + 2 <= len(payload):
        length = payload[at + 1] % 9
        assembler.take(KEYS[payload[at] % len(KEYS)], payload[at + 2 : at + 2 + length], float(at))
        at += 2 + length
    values, _ = assembler.snapshot(float(at))
    _in_range(values)


def maps(payload: bytes) -> None:
    """Any text as a map and as a binding."""
    import cantools

    text = payload.decode("utf-8", "replace")
    for body in (text, MAP + text):
        with contextlib.suppress(BankbookError):
            parsed = parse_map(TomlFile("m", body))
            for read in Rounds(parsed).reads(0):
                values: dict[str, int] = {}
                read.decode(_words(payload, read.count), values, {})
                _in_range({name: stored for name, stored in values.items() if name in CATALOGUE})
    with contextlib.suppress(BankbookError):
        parse_binding(TomlFile("b", text), cantools.database.Database())


def table(payload: bytes) -> None:
    """Any bytes as CSV."""
    path = FOLDER / "a.csv"
    for lead in (b"", b"timestamp,pack_v,heater_on,warnings\n"):
        path.write_bytes(lead + payload)
        with contextlib.suppress(BankbookError):
            for chunk in read_tables(path, CATALOGUE):
                for row in chunk.drop_columns(["time_ms"]).to_pylist():
                    _in_range({name: stored for name, stored in row.items() if stored is not None})


def capture(payload: bytes) -> None:
    """Any bytes as a capture of each kind."""
    kind = (".log", ".asc", ".blf", ".reg")[payload[0] % 4 if payload else 0]
    path = FOLDER / f"a{kind}"
    path.write_bytes((f"{TITLE}\n".encode() if kind == ".reg" else b"") + payload[1:])
    with contextlib.suppress(BankbookError):
        for _, values, _ in rounds(path, REGISTERS if kind == ".reg" else SHIPPED):
            _in_range(values)


class _Serial:
    """A serial CAN adapter that sends what a fuzzer says, in two pieces."""

    def __init__(self, payload: bytes) -> None:
        self.pieces = [payload[: len(payload) // 3], payload[len(payload) // 3 :]]

    def read_serial(self) -> bytes:
        return self.pieces.pop(0) if self.pieces else b""


def lines(payload: bytes) -> None:
    """Any bytes from a serial CAN adapter."""
    serial, assembler = _Serial(payload), Assembler(SHIPPED)
    inlet = SerialInlet(serial)  # type: ignore[arg-type] # stands in for a bus
    for _ in range(2):
        with contextlib.suppress(ValueError):
            inlet.pump(0.0, lambda key, data, _, __: assembler.take(key, bytes(data), 1.0))
    _in_range(assembler.snapshot(1.0)[0])


def database(payload: bytes) -> None:
    """Any text behind the beginning of a frame database, and frames to what comes of it."""
    path = FOLDER / "a.dbc"
    path.write_bytes(DBC + payload)
    with contextlib.suppress(BankbookError):
        binding = parse_binding(TomlFile("b", BINDING), load_database(path))
        assembler = Assembler(binding)
        for key in assembler.keys:
            assembler.take(key, payload[:8], 1.0)
        _in_range(assembler.snapshot(1.0)[0])


TARGETS = (registers, sunspec, frames, maps, table, capture, lines, database)


def one_input(payload: bytes) -> None:
    """What libFuzzer calls."""
    if payload:
        TARGETS[payload[0] % len(TARGETS)](payload[1:])


if __name__ == "__main__":
    atheris.Setup(sys.argv, one_input)
    atheris.Fuzz()
