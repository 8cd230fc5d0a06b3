"""CAN captures, written by python-can's writers, through the same bindings as a live bus."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import can
import pyarrow as pa
import pytest

from adapters.binding import Binding, find_binding, load_binding
from adapters.captures import CaptureOutcome, read_capture
from adapters.errors import ImportFormatError

T0 = 1_767_596_400.0
"""2026-01-05T07:00:00Z. [s]"""
WRITERS: dict[str, Any] = {".log": can.CanutilsLogWriter, ".asc": can.ASCWriter, ".blf": can.BLFWriter}


@pytest.fixture(scope="module")
def binding() -> Binding:
    return load_binding(*find_binding("common-closed-loop", None, None))


def write(path: Path, count: int, *, start_s: float = T0) -> None:
    """`count` rounds, one a second: voltage 53.12 V and rising by 0.01 V; the soc 4 ms later."""
    with WRITERS[path.suffix](str(path)) as writer:
        for n in range(count):
            volts = (5312 + n).to_bytes(2, "little") + bytes.fromhex("1EFBB7000000")
            for lag_s, can_id, payload in (
                (0, 0x356, volts),
                (0.004, 0x355, bytes.fromhex("5700630015220000")),
            ):
                message = can.Message(
                    timestamp=start_s + n + lag_s, arbitration_id=can_id, data=payload, is_extended_id=False,
                    channel=0 if path.suffix == ".blf" else "can0",
                )  # fmt: skip
                writer.on_message_received(message)


def read(path: Path, binding: Binding, **keys: Any) -> tuple[dict[str, list[Any]], CaptureOutcome]:
    outcome = CaptureOutcome()
    tables = list(read_capture(path, binding, outcome=outcome, **keys))
    return pa.concat_tables(tables).to_pydict(), outcome


@pytest.mark.parametrize("suffix", WRITERS)
def test_rounds_of_each_format(tmp_path: Path, binding: Binding, suffix: str) -> None:
    path = tmp_path / f"bus{suffix}"
    write(path, 30)
    columns, outcome = read(path, binding)
    assert columns["pack_v"] == [5312 + n for n in range(30)]
    assert set(columns["soc"]) == {8700}
    assert set(columns["charge_limit_a"]) == {None}
    assert outcome.frames == 60
    gaps = {b - a for a, b in zip(columns["time_ms"], columns["time_ms"][1:], strict=False)}
    assert gaps <= {999, 1000, 1001}
    if suffix == ".log":
        assert columns["time_ms"][0] == T0 * 1000 + 4


def test_gap_leaves_no_stale_values(tmp_path: Path, binding: Binding) -> None:
    path = tmp_path / "bus.log"
    path.write_text(
        "(1767596400.0) can0 355#5700630015220000\n(1767596400.1) can0 356#C0141EFBB7000000\n"
        "(1767596460.0) can0 356#C1141EFBB7000000\n"
    )
    columns, _ = read(path, binding)
    assert columns["pack_v"] == [5312, 5313]
    assert columns["soc"] == [8700, None]


def test_bad_lines_are_counted_and_passed_over(tmp_path: Path, binding: Binding) -> None:
    path = tmp_path / "bus.log"
    write(path, 2)
    lines = path.read_text().splitlines()
    lines[1:1] = [
        "hello",
        "(1767596400.0) can0 356#C0",
        "(1767596400.0) can0 356#C0141E",
        "(x) can0 1#",
        "\x00\x01",
    ]
    path.write_text("\n".join(lines))
    columns, outcome = read(path, binding)
    assert columns["pack_v"] == [5312, 5313]
    assert outcome.rejected_count == 3
    assert [number for number, _ in outcome.rejected] == [2, 5, 6]


def test_relative_times_need_a_start(tmp_path: Path, binding: Binding) -> None:
    path = tmp_path / "bus.log"
    write(path, 3, start_s=12.0)
    with pytest.raises(ImportFormatError, match="carries no dates"):
        read(path, binding)
    columns, _ = read(path, binding, start_s=T0)
    assert columns["time_ms"][0] == T0 * 1000 + 4


@pytest.mark.parametrize("name", ["a.log", "a.asc", "a.blf"])
@pytest.mark.parametrize("content", [b"", b"\xff\xfe\x00nonsense", b"LOGG" + bytes(40)])
def test_files_that_are_none(tmp_path: Path, binding: Binding, name: str, content: bytes) -> None:
    (tmp_path / name).write_bytes(content)
    with pytest.raises(ImportFormatError, match="capture"):
        read(tmp_path / name, binding)


def test_other_files(tmp_path: Path, binding: Binding) -> None:
    with pytest.raises(ImportFormatError, match="no such file"):
        read(tmp_path / "a.blf", binding)
    with pytest.raises(ImportFormatError, match=r"captures end in"):
        read(tmp_path / "a.pcap", binding)


def test_damaged_tail_keeps_the_beginning(tmp_path: Path, binding: Binding) -> None:
    path = tmp_path / "bus.asc"
    write(path, 10)
    path.write_bytes(path.read_bytes()[:-300] + b"\n   9.0 1 zzz Rx d 8 00 00 00 00 00 00 00 00\n")
    columns, outcome = read(path, binding)
    assert columns["pack_v"][:3] == [5312, 5313, 5314]
    assert outcome.damaged
