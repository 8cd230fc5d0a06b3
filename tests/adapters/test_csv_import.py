"""CSV import: liberal in form, strict in units, honest about every line it does not take."""

from __future__ import annotations

import gzip
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters import csv_import
from adapters.channels import CATALOGUE, WITNESS_CATALOGUE, decode
from adapters.csv_import import read_tables
from adapters.csv_lines import parse_time
from adapters.csv_outcome import CsvOutcome
from adapters.errors import ImportFormatError

T0 = 1_767_596_400_000
"""2026-01-05T07:00:00Z. [ms UTC]"""


def read(tmp_path: Path, content: str | bytes, *, name: str = "a.csv", catalogue: Any = CATALOGUE) -> Any:
    path = tmp_path / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    outcome = CsvOutcome()
    tables = list(read_tables(path, catalogue, outcome))
    return pa.concat_tables(tables).to_pydict(), outcome


@pytest.mark.parametrize(
    "stamp",
    [
        "2026-01-05T07:00:00Z", "2026-01-05 07:00:00Z", "2026-01-05T08:00:00+01:00",
        "2026-01-05T08:00:00+0100",
        "2026-01-05T07:00:00.000Z", "2026-01-05T07:00:00.000000+00:00", "2026-01-05T01:30:00-05:30",
        "2026-01-05T07:00:00", "2026-01-05 07:00:00.0", "2026-01-05T07:00Z", '"2026-01-05T07:00:00Z"',
        "2026-01-05 07:00:00 UTC", "2026-01-05T07:00:00.0009999Z", "2026-01-05T07:00:00.000000001Z",
    ],
)  # fmt: skip
def test_spellings_of_an_instant(tmp_path: Path, stamp: str) -> None:
    columns, outcome = read(tmp_path, f"timestamp,pack_v\n{stamp},53.12\n")
    assert columns == {"time_ms": [T0], "pack_v": [5312]}
    assert outcome.naive is (not any(zone in stamp[12:] for zone in ("Z", "+", "-", "UTC")))


def test_mixed_spellings_in_one_file(tmp_path: Path) -> None:
    columns, _ = read(tmp_path, "timestamp,pack_v\n2026-01-05T07:00:00Z,53\n2026-01-05 08:00:01+01:00,54\n")
    assert columns["time_ms"] == [T0, T0 + 1000]


@pytest.mark.parametrize("blank", ["", "nan", "NaN", "null", "NA", " "])
def test_blank_cells_are_absent(tmp_path: Path, blank: str) -> None:
    columns, outcome = read(tmp_path, f"timestamp,pack_v,pack_a\n2026-01-05T07:00:00Z,{blank},1\n")
    assert columns == {"time_ms": [T0], "pack_v": [None], "pack_a": [100]}
    assert outcome.rejected == 0


@pytest.mark.parametrize(
    ("cell", "state"), [("true", 1), ("False", 0), ("1", 1), ("0", 0), ("1.0", 1), ("", None)]
)
def test_flags(tmp_path: Path, cell: str, state: int | None) -> None:
    columns, _ = read(tmp_path, f"timestamp,heater_on,pack_v\n2026-01-05T07:00:00Z,{cell},53\n")
    assert columns["heater_on"] == [state]


def test_integers_bits_and_scale(tmp_path: Path) -> None:
    columns, _ = read(tmp_path, "timestamp,pack_v,warnings,soc\n2026-01-05T07:00:00Z,53,4294967295,1\n")
    assert columns == {"time_ms": [T0], "pack_v": [5300], "warnings": [2**32 - 1], "soc": [10000]}


@pytest.mark.parametrize("lead", ["\ufeff", "# exported by the neighbour\n", ""])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_shapes_of_file(tmp_path: Path, lead: str, end: str, delimiter: str) -> None:
    lines = ["Timestamp,pack_v, Pack_A", "2026-01-05T07:00:00Z,53.12,-1", "", "2026-01-05T07:00:01Z,53.13,-1"]
    columns, outcome = read(tmp_path, lead + end.join(lines).replace(",", delimiter))
    assert columns == {"time_ms": [T0, T0 + 1000], "pack_v": [5312, 5313], "pack_a": [-100, -100]}
    assert (outcome.rows, outcome.rejected) == (2, 0)


def test_gzip(tmp_path: Path) -> None:
    packed = gzip.compress(b"timestamp,pack_v\n2026-01-05T07:00:00Z,53.12\n")
    assert read(tmp_path, packed, name="a.csv.gz")[0]["pack_v"] == [5312]
    with pytest.raises(ImportFormatError, match=r"damaged|no line|gzip"):
        read(tmp_path, packed[:-9], name="b.csv.gz")


def test_every_refused_line_has_number_and_reason(tmp_path: Path) -> None:
    text = (
        "timestamp,pack_v,pack_a\n2026-01-05T07:00:00Z,53,1\nyesterday,53,1\n\n2026-01-05T07:00:02Z,53\n"
        "2026-01-05T07:00:03Z,53,1,9\n2026-01-05T07:00:04Z,fifty,1\n2026-01-05T07:00:05Z,53,1\n"
        '2026-02-30T07:00:05Z,53,1\n2026-01-05T07:00:06Z,"53,1\n2026-01-05T07:00:07Z,5'
    )
    columns, outcome = read(tmp_path, text)
    assert columns["time_ms"] == [T0, T0 + 5000]
    assert [line for line, _ in outcome.reasons] == [3, 5, 6, 7, 9, 10, 11]
    reasons = [reason for _, reason in outcome.reasons]
    assert "not ISO 8601" in reasons[0]
    assert reasons[1] == "cut short: 2 fields, the header has 3"
    assert reasons[2] == "4 fields, the header has 3"
    assert reasons[3] == "pack_v = 'fifty' is not a number"


def test_unsorted_and_repeated(tmp_path: Path) -> None:
    text = "timestamp,pack_v\n2026-01-05T07:00:02Z,52\n2026-01-05T07:00:00Z,50\n2026-01-05T07:00:02Z,59\n"
    text += "1970-01-01T00:00:00Z,1\n"
    columns, outcome = read(tmp_path, text)
    assert columns == {"time_ms": [T0, T0 + 2000], "pack_v": [5000, 5200]}
    assert (outcome.rows, outcome.duplicates, outcome.insane_times) == (2, 1, 1)


def test_values_that_cannot_be_right_are_dropped_and_counted(tmp_path: Path) -> None:
    rows = "".join(f"2026-01-05T07:00:0{n}Z,53,{v}\n" for n, v in enumerate((3.3, 65.535, 3.3, 3.3)))
    columns, outcome = read(tmp_path, "timestamp,pack_v,cell_01_v\n" + rows)
    assert columns["cell_01_v"] == [3300, None, 3300, 3300]
    assert outcome.out_of_range == {"cell_01_v": 1}
    assert "cell_01_v: 1 values out of range dropped" in outcome.notes()


def test_unknown_columns_are_named(tmp_path: Path) -> None:
    columns, outcome = read(tmp_path, "timestamp,pack_v,inverter_mood,\n2026-01-05T07:00:00Z,53,happy,\n")
    assert columns["pack_v"] == [5300]
    assert outcome.unknown == ("inverter_mood", "(column 4)")
    assert any("inverter_mood" in note for note in outcome.notes())


@pytest.mark.parametrize(
    ("column", "cells", "words"),
    [
        (
            "soc",
            [55, 56, 57, 58, 59, 60],
            "column soc must be a fraction from 0 to 1.*percent: divide by 100",
        ),
        ("cell_01_v", [3300] * 6, "column cell_01_v must be in V.*millivolts: divide by 1000"),
        ("pack_v", [53120] * 6, "column pack_v must be in V.*millivolts"),
        ("temp_1", [288.15] * 6, "column temp_1 must be in °C.*like 288.15; they look like kelvin"),
        ("temp_1", [215] * 6, "column temp_1 must be in °C.*tenths of a degree"),
    ],
)
def test_wrong_units_are_refused(tmp_path: Path, column: str, cells: list[float], words: str) -> None:
    rows = "".join(f"2026-01-05T07:00:0{n}Z,{cell}\n" for n, cell in enumerate(cells))
    with pytest.raises(ImportFormatError, match=words):
        read(tmp_path, f"timestamp,{column}\n{rows}")


def test_one_odd_column_is_no_other_unit(tmp_path: Path) -> None:
    rows = "".join(f"2026-01-05T07:00:0{n}Z,0,3.31,3.30,0.43,-327.68\n" for n in range(6))
    columns, outcome = read(tmp_path, f"timestamp,pack_v,cell_01_v,cell_02_v,cell_03_v,temp_1\n{rows}")
    assert columns["cell_01_v"] == [3310] * 6
    assert outcome.out_of_range == {"cell_03_v": 6, "temp_1": 6}


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "the file is empty"),
        (b"timestamp,pack_v\n", "no line could be read"),
        (b"time,pack_v\n1,2\n", 'no column "timestamp"'),
        (b"timestamp,volts\n1,2\n", "no column is a channel"),
        (b"timestamp,pack_v,pack_v\n1,2,3\n", "pack_v is there twice"),
        (b"\x00\x01\x02\x03" * 99, "no CSV file"),
        ("timestamp,pack_v\n".encode("utf-16"), "UTF-16"),
        (b"\xe4\xf6\n", "not UTF-8"),
        (b"x" * 70_000, "no CSV file"),
        (b"timestamp,pack_v\n" + b"y" * (9 << 20), "has no end"),
        (b"timestamp;pack_v\n2026-01-05T07:00:00Z;53,12\n", "write the decimal point as a point"),
        (b"PK\x03\x04\x14\x00\n", "no CSV file"),
    ],
)
def test_files_that_are_none(tmp_path: Path, content: bytes, words: str) -> None:
    with pytest.raises(ImportFormatError, match=words) as caught:
        read(tmp_path, content)
    assert "\n" not in str(caught.value)


def test_absent_file(tmp_path: Path) -> None:
    with pytest.raises(ImportFormatError, match="there is no such file"):
        list(read_tables(tmp_path / "x.csv", CATALOGUE))


def test_witness(tmp_path: Path) -> None:
    text = "timestamp,dc_v,dc_a,ac_w,soc_seen,ambient\n2026-01-05T07:00:00Z,53.1,-12.34,600,0.87,-7.5\n"
    columns, _ = read(tmp_path, text, catalogue=WITNESS_CATALOGUE)
    assert columns == {
        "time_ms": [T0], "dc_v": [5310], "dc_a": [-1234], "ac_w": [600], "soc_seen": [8700], "ambient": [-75],
    }  # fmt: skip


def test_blocks_do_not_show(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same file in small and in large blocks gives the same rows and the same complaints."""
    rows = [
        f"2026-01-05T07:{n // 60:02d}:{n % 60:02d}Z,{50 + n / 1000},{'x' if n % 97 == 5 else n % 2}"
        for n in range(900)
    ]
    text = "timestamp,pack_v,heater_on\n" + "\n".join(rows)
    whole = read(tmp_path, text)
    monkeypatch.setattr(csv_import, "BLOCK", 700)
    pieces = read(tmp_path, text)
    assert pieces[0] == whole[0]
    assert pieces[1].reasons == whole[1].reasons
    assert (pieces[1].rows, pieces[1].lines) == (whole[1].rows, whole[1].lines)


def test_progress_reaches_the_end(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("timestamp,pack_v\n2026-01-05T07:00:00Z,53\n")
    seen: list[tuple[int, int]] = []
    list(read_tables(path, CATALOGUE, progress=lambda done, total: seen.append((done, total))))
    assert seen[-1] == (path.stat().st_size, path.stat().st_size)


@given(
    st.datetimes(datetime(2000, 1, 1), datetime(2099, 12, 31)),
    st.integers(-14 * 60, 14 * 60),
    st.sampled_from(["T", " "]),
)
def test_any_offset_against_the_standard_library(moment: datetime, offset_min: int, separator: str) -> None:
    zoned = moment.replace(tzinfo=timezone(timedelta(minutes=offset_min)))
    expected = (zoned - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(milliseconds=1)
    assert parse_time(zoned.isoformat(separator)) == (expected, True)


@given(
    st.lists(
        st.tuples(st.integers(0, 10**6), st.integers(50, 500), st.integers(0, 12000)),
        min_size=1,
        max_size=30,
        unique_by=lambda row: row[0],
    )
)
def test_export_and_import_round_trip(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[int, int, int]]
) -> None:
    text = "timestamp,cell_01_v,soc\n"
    rows = sorted(rows)
    for second, cell, soc in rows:
        moment = datetime(2026, 1, 5, tzinfo=UTC) + timedelta(seconds=second)
        cells = decode(CATALOGUE["cell_01_v"], cell * 10), decode(CATALOGUE["soc"], soc)
        text += f"{moment.isoformat()},{cells[0]},{cells[1]}\n"
    columns, _ = read(tmp_path_factory.mktemp("csv"), text)
    assert columns["cell_01_v"] == [cell * 10 for _, cell, _ in rows]
    assert columns["soc"] == [soc for _, _, soc in rows]


def test_a_file_that_mixes_packs_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "both.csv"
    file.write_text("timestamp,pack,pack_v\n2026-01-05T00:00:00Z,A,52\n2026-01-05T00:00:01Z,B,51\n")
    with pytest.raises(ImportFormatError, match=r"several packs \(A, B\) — make one file for each"):
        list(read_tables(file, CATALOGUE))
    file.write_text("timestamp,pack,pack_v\n2026-01-05T00:00:00Z,A,52\n2026-01-05T00:00:01Z,A,51\n")
    assert sum(table.num_rows for table in read_tables(file, CATALOGUE)) == 2


def test_times_that_cannot_be_are_the_reason(tmp_path: Path) -> None:
    file = tmp_path / "unset.csv"
    file.write_text("timestamp,pack_v\n1970-01-01T00:00:00Z,52\n")
    with pytest.raises(ImportFormatError, match="1 rows before the year 2000"):
        list(read_tables(file, CATALOGUE))
