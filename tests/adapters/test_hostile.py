"""Anything may come from a wire or a file: no crash, no hang, nothing out of range, nothing without end."""

from __future__ import annotations

import contextlib
from pathlib import Path
from random import Random

import cantools
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from adapters.assembler import Assembler
from adapters.binding import find_binding, load_binding, parse_binding
from adapters.captures import CaptureOutcome, read_capture
from adapters.channels import CATALOGUE, WITNESS_CATALOGUE
from adapters.csv_import import read_tables
from adapters.csv_outcome import CsvOutcome
from adapters.errors import BankbookError, ImportFormatError, MapError
from adapters.likely import cell_rows, fractions, sums, temperatures
from adapters.planner import Rounds
from adapters.registers import load_map, parse_map
from adapters.sunspec_decode import Battery, Model, decode
from adapters.toml_file import TomlFile

SHIPPED = load_binding(*find_binding("common-closed-loop", None, None))
LIMITS = {**WITNESS_CATALOGUE, **CATALOGUE}
slow_fixtures = settings(suppress_health_check=[HealthCheck.function_scoped_fixture])


def in_range(values: dict[str, int]) -> None:
    for name, stored in values.items():
        channel = LIMITS[name]
        assert isinstance(stored, int)
        assert channel.low - 1e-9 <= stored * channel.scale <= channel.high + 1e-9, name


keys = st.sampled_from(
    ["channel", "address", "type", "count", "stride", "scale", "offset", "unit", "positive", "absent", "bit",
     "on",
     "off", "invert", "shift", "bits", "cases", "every", "function", "byte_order", "word_order", "nonsense"]
)  # fmt: skip
cells = st.one_of(
    st.integers(-5, 70000).map(str),
    st.floats(-1e6, 1e6).map(repr),
    st.sampled_from(
        ['"pack_v"', '"pack_a"', '"cell_01_v"', '"temp_1"', '"heater_on"', '"warnings"', '"soc"']
    ),
    st.sampled_from(
        ['"u16"', '"s16"', '"u32"', '"s32"', '"f32"', '"u8hi"', '"V"', '"mV"', '"A"', '"%"', '"°C"']
    ),
    st.sampled_from(
        ['"charge"', '"discharge"', '"little"', "true", "false", "[0]", "[1, 2]", "{ 1 = 'a' }", "[]"]
    ),
    st.text("abcß%.\n#[]", max_size=8).map(lambda t: '"' + t.replace("\\", "").replace('"', "") + '"'),
)
entries = st.dictionaries(keys, cells, max_size=8)
likely_entries = st.tuples(
    st.sampled_from(
        [
            {"channel": '"pack_v"', "type": '"u16"', "unit": '"V"'},
            {"channel": '"cell_01_v"', "type": '"u16"', "unit": '"mV"', "count": "16"},
            {"channel": '"pack_a"', "type": '"s16"', "unit": '"A"', "positive": '"charge"'},
            {"channel": '"soc"', "type": '"f32"', "unit": '"%"'},
            {"channel": '"warnings"', "type": '"u32"'},
            {"channel": '"heater_on"', "type": '"u8lo"'},
        ]
    ),
    st.integers(0, 300),
    entries,
).map(lambda parts: {**parts[0], "address": str(parts[1]), **parts[2]})


def toml_of(head: str, table: str, rows: list[dict[str, str]]) -> str:
    return head + "".join(f"[[{table}]]\n" + "".join(f"{k} = {v}\n" for k, v in row.items()) for row in rows)


@settings(max_examples=300)
@given(st.lists(st.one_of(entries, likely_entries), max_size=4), st.integers(0, 2**32))
def test_any_map_is_read_or_refused_and_decodes_anything(rows: list[dict[str, str]], seed: int) -> None:
    text = toml_of('[map]\nname = "m"\nsource = "s"\n', "register", rows)
    try:
        parsed = parse_map(TomlFile("m.toml", text))
    except MapError:
        return
    random = Random(seed)
    for read in Rounds(parsed).reads(0):
        assert 1 <= read.count <= 125
        assert 0 <= read.address <= 65536 - read.count
        values: dict[str, int] = {}
        read.decode(
            [random.choice((0, 0xFFFF, 0x8000, random.getrandbits(16))) for _ in range(read.count)],
            values,
            {},
        )
        in_range(values)


@given(st.text(max_size=300))
def test_any_text_as_a_map(text: str) -> None:
    with contextlib.suppress(MapError):
        parse_map(TomlFile("m.toml", text))
    with contextlib.suppress(MapError):
        parse_binding(TomlFile("b.toml", text), cantools.database.Database())


@slow_fixtures
@given(st.binary(max_size=400))
def test_any_bytes_as_a_map_or_database(tmp_path: Path, content: bytes) -> None:
    for name in ("m.toml", "d.dbc", "d.kcd"):
        (tmp_path / name).write_bytes(content)
    with contextlib.suppress(MapError):
        load_map(tmp_path / "m.toml")
    for database in ("d.dbc", "d.kcd"):
        with pytest.raises(MapError):
            load_binding(tmp_path / "m.toml", tmp_path / database)


@settings(max_examples=300)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(sorted(Assembler(SHIPPED).keys)), st.binary(max_size=64), st.floats(-1e9, 1e12)
        ),
        max_size=30,
    ),
    st.floats(-1e9, 1e12),
)
def test_any_frames(frames: list[tuple[int, bytes, float]], now_s: float) -> None:
    assembler = Assembler(SHIPPED)
    for key, payload, time_s in frames:
        assembler.take(key, payload, time_s)
    values, _ = assembler.snapshot(now_s)
    in_range(values)


@given(
    st.lists(st.integers(0, 0xFFFF), min_size=220, max_size=220),
    st.integers(0, 200),
    st.sampled_from([1, -1]),
)
def test_any_sunspec_registers(words: list[int], length: int, sign: int) -> None:
    """Also models that are shorter than they should be."""
    registers = dict(enumerate(words))
    battery, bank, string = (Model(number, 0, length) for number in (802, 803, 804))
    module = Model(805, 0, max(length, 42))
    values, _ = decode(Battery(battery, bank, string, (module,)), registers, sign)
    in_range(values)


@given(st.dictionaries(st.integers(0, 300), st.integers(0, 0xFFFF), max_size=200))
def test_any_registers_to_the_probe(registers: dict[int, int]) -> None:
    for row in cell_rows(registers):
        assert 4 <= row.count <= 32
        sums(registers, row.sum_v)
    temperatures(registers, set())
    fractions(registers, set())


csv_cells = st.one_of(
    st.sampled_from(["2026-01-05T07:00:00Z", "2026-01-05 07:00:01", "", "nan", "inf", "-inf", "1e999"]),
    st.sampled_from(["true", "0x10", "1_0"]),
    st.floats().map(repr), st.integers().map(str), st.text(max_size=12),
)  # fmt: skip
csv_names = st.sampled_from(
    ["timestamp", "pack_v", "soc", "heater_on", "warnings", "cell_01_v", "temp_1", "other", ""]
)


@slow_fixtures
@given(
    st.lists(csv_names, min_size=1, max_size=6),
    st.lists(st.lists(csv_cells, max_size=7), max_size=12),
    st.sampled_from([",", ";", "\t"]),
    st.sampled_from(["\n", "\r\n", "\r"]),
)
def test_any_table_as_csv(
    tmp_path: Path, names: list[str], rows: list[list[str]], delimiter: str, end: str
) -> None:
    text = end.join(delimiter.join(row) for row in [["timestamp", *names], *rows])
    _import(tmp_path / "a.csv", text.encode("utf-8", "replace"))


@slow_fixtures
@given(st.binary(max_size=600))
def test_any_bytes_as_csv(tmp_path: Path, content: bytes) -> None:
    _import(tmp_path / "a.csv", content)
    _import(tmp_path / "b.csv", b"timestamp,pack_v,warnings,heater_on\n" + content)
    _import(tmp_path / "c.csv.gz", content)


def _import(path: Path, content: bytes) -> None:
    path.write_bytes(content)
    outcome = CsvOutcome()
    try:
        tables = list(read_tables(path, CATALOGUE, outcome))
    except ImportFormatError:
        return
    for table in tables:
        times = table.column("time_ms").to_pylist()
        assert times == sorted(set(times))
        assert all(946_684_800_000 <= t < 4_102_444_800_000 for t in times)
        for row in table.drop_columns(["time_ms"]).to_pylist():
            in_range({name: stored for name, stored in row.items() if stored is not None})
    assert outcome.rows == sum(t.num_rows for t in tables)
    assert outcome.rows + outcome.rejected + outcome.duplicates + outcome.insane_times == outcome.lines


@slow_fixtures
@given(st.lists(st.one_of(
    st.text(max_size=40),
    st.tuples(st.floats(0, 1e11), st.integers(0, 0x1FFFFFFF), st.binary(max_size=9)).map(
        lambda f: f"({f[0]:.6f}) can0 {f[1]:0{3 if f[1] < 0x800 else 8}X}#{f[2].hex()}"),
    st.tuples(st.integers(0, 999), st.sampled_from([0x351, 0x355, 0x356, 0x373]), st.binary(max_size=8)).map(
        lambda f: f"(1767596400.{f[0]:03d}) can0 {f[1]:03X}#{f[2].hex()}"),
), max_size=20), st.sampled_from(["a.log", "a.asc", "a.blf"]))  # fmt: skip
def test_any_lines_as_a_capture(tmp_path: Path, lines: list[str], name: str) -> None:
    path = tmp_path / name
    path.write_text("\n".join(lines), encoding="utf-8", errors="replace")
    _capture(path)


@slow_fixtures
@given(
    st.binary(max_size=300),
    st.sampled_from(["a.log", "a.asc", "a.blf"]),
    st.sampled_from([b"", b"LOGG", b"date Mon\n"]),
)
def test_any_bytes_as_a_capture(tmp_path: Path, content: bytes, name: str, lead: bytes) -> None:
    (tmp_path / name).write_bytes(lead + content)
    _capture(tmp_path / name)


def _capture(path: Path) -> None:
    outcome = CaptureOutcome()
    try:
        tables = list(read_capture(path, SHIPPED, outcome=outcome))
    except BankbookError:
        return
    for table in tables:
        for row in table.drop_columns(["time_ms"]).to_pylist():
            in_range({key: stored for key, stored in row.items() if stored is not None})


def test_endless_line_is_refused_early(tmp_path: Path) -> None:
    """A file of one line of 64 MB must not be held in memory as a whole."""
    path = tmp_path / "a.csv"
    with path.open("wb") as file:
        file.write(b"timestamp,pack_v\n")
        file.seek(64 << 20)
        file.write(b"1")
    with pytest.raises(ImportFormatError, match="has no end"):
        list(read_tables(path, CATALOGUE))


@given(st.binary(max_size=40))
def test_floats_of_any_bits(raw: bytes) -> None:
    assume(len(raw) >= 4)
    text = '[map]\nname="m"\nsource="s"\n[[register]]\nchannel="pack_v"\naddress=0\ntype="f32"\nunit="V"\n'
    (read,) = Rounds(parse_map(TomlFile("m", text))).reads(0)
    values: dict[str, int] = {}
    read.decode([int.from_bytes(raw[:2], "big"), int.from_bytes(raw[2:4], "big")], values, {})
    in_range(values)
