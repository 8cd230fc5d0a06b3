"""The parts that read capture files: held to python-can's readers, and to bounds."""

from __future__ import annotations

import io
import struct
import tracemalloc
import zlib
from pathlib import Path
from typing import Any

import can
import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters import capture_blf, capture_log, captures
from adapters.binding import Binding, find_binding, frame_key, load_binding
from adapters.capture_blf import PlainBlf
from adapters.capture_log import UNWANTED, Taken, log_frames
from adapters.captures import CaptureOutcome, read_capture
from adapters.errors import ImportFormatError

ALL = frozenset(range(0x800)) | frozenset(frame_key(n, extended=True) for n in (0, 0x356, 0x18FF50E5))
LINE = "(1767596400.000000) can0 "


@pytest.fixture(scope="module")
def binding() -> Binding:
    return load_binding(*find_binding("common-closed-loop", None, None))


def ours(text: bytes, wanted: frozenset[int] = ALL) -> tuple[list[Taken], CaptureOutcome]:
    outcome = CaptureOutcome()
    found = list(log_frames(io.BytesIO(text), wanted, outcome))
    assert not found or found[0][1] == UNWANTED
    return found[1:], outcome


def theirs(text: bytes) -> list[Taken]:
    return [
        (frame.timestamp, frame_key(frame.arbitration_id, extended=frame.is_extended_id), bytes(frame.data))
        for frame in can.CanutilsLogReader(io.StringIO(text.decode()))
        if not frame.is_remote_frame and not frame.is_error_frame
    ]


one_line = st.builds(
    lambda seconds, channel, digits, data, tail: f"({seconds:.6f}) {channel} {digits}#{data}{tail}",
    st.floats(0, 4e9),
    st.sampled_from(["can0", "vcan1", "slcan0", "0"]),
    st.one_of(
        st.integers(0, 0x7FF).map("{:03X}".format),
        st.integers(0, 0x7FF).map("{:03x}".format),
        st.sampled_from(["18FF50E5", "18ff50E5", "00000356", "0356"]),
    ),
    st.one_of(st.binary(max_size=8).map(lambda raw: raw.hex()), st.just("R"), st.just("#1AABB")),
    st.sampled_from(["", " R", " T", "  "]),
)


@given(st.lists(one_line, max_size=30), st.sampled_from(["\n", "\r\n", "\n\n"]), st.integers(40, 300))
def test_as_the_library_reads_it(lines: list[str], end: str, block: int) -> None:
    text = end.join(lines).encode()
    before, capture_log.BLOCK = capture_log.BLOCK, block
    try:
        found, outcome = ours(text)
    finally:
        capture_log.BLOCK = before
    assert found == [one for one in theirs(text) if one[1] in ALL]
    assert (outcome.frames, outcome.rejected_count) == (len(lines), 0)


@given(st.binary(max_size=400))
def test_any_bytes(text: bytes) -> None:
    for _, key, payload in ours(text)[0]:
        assert key in ALL
        assert len(payload) <= 64


def test_rejected_lines_have_their_numbers_across_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(capture_log, "BLOCK", 64)
    lines = [f"{LINE}356#C014"] * 9
    lines[3], lines[7] = "what?", f"{LINE}356#C01"
    found, outcome = ours("\n".join(lines).encode())
    assert len(found) == outcome.frames == 7
    assert [number for number, _ in outcome.rejected] == [4, 8]


def test_a_line_without_end_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(capture_log, "BLOCK", 1000)
    text = f"{LINE}356#C0\n{'x' * 20_000}\n{LINE}356#C1\nwhat?\n{LINE}356#C2\n".encode()
    found, outcome = ours(text)
    assert [payload for _, _, payload in found] == [b"\xc0", b"\xc1", b"\xc2"]
    assert [number for number, _ in outcome.rejected] == [2, 4]


def _blf(path: Path, frames: int = 50) -> bytes:
    with can.BLFWriter(str(path)) as writer:
        for n in range(frames):
            message = can.Message(
                arbitration_id=0x356, is_extended_id=False, timestamp=1_767_596_400.0 + n,
                data=(5312 + n).to_bytes(2, "little") + bytes(6), channel=0,
            )  # fmt: skip
            writer.on_message_received(message)
    return path.read_bytes()


def _container(packed: bytes, said: int, method: int = 2) -> bytes:
    size = 32 + len(packed)
    head = struct.pack("<4sHHII", b"LOBJ", 16, 1, size, 10) + struct.pack("<H6xI4x", method, said)
    return head + packed + bytes(size % 4)


def test_unpacked_on_the_way_it_reads_the_same(tmp_path: Path) -> None:
    _blf(tmp_path / "a.blf", 5000)
    file, outcome = (tmp_path / "a.blf").open("rb"), CaptureOutcome()
    plain: Any = can.BLFReader(PlainBlf(file, outcome))  # type: ignore[arg-type] # reads only
    packed = can.BLFReader(str(tmp_path / "a.blf"))
    pairs = list(zip(plain, packed, strict=True))
    assert len(pairs) == 5000
    assert all(a.equals(b) for a, b in pairs)
    assert outcome.bytes_read == (tmp_path / "a.blf").stat().st_size


def test_bomb_is_refused_in_little_memory(
    tmp_path: Path, binding: Binding, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A container of some kilobytes that unpacks to 200 MB, behind a good one."""
    monkeypatch.setattr(capture_blf, "MOST_OBJECT", 4_000_000)
    packer = zlib.compressobj(9)
    bomb = b"".join([*(packer.compress(bytes(10_000_000)) for _ in range(20)), packer.flush()])
    path = tmp_path / "bomb.blf"
    path.write_bytes(_blf(path) + _container(bomb, 1000))
    outcome = CaptureOutcome()
    tracemalloc.start()
    (table,) = read_capture(path, binding, outcome=outcome)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert table.num_rows == 50
    assert "larger than 4 MB" in outcome.damaged
    assert peak < 30_000_000


def test_a_container_packed_in_an_unknown_way_is_told(
    tmp_path: Path, binding: Binding, caplog: pytest.LogCaptureFixture
) -> None:
    path = tmp_path / "new.blf"
    path.write_bytes(_blf(path) + _container(b"x" * 40, 100, method=4))
    outcome = CaptureOutcome()
    (table,) = read_capture(path, binding, outcome=outcome)
    assert table.num_rows == 50
    assert "method 4" in outcome.notes()[0]
    assert caplog.records == []


@pytest.mark.parametrize("size", [0, 15, 0xFFFFFFFF])
def test_objects_of_impossible_size(tmp_path: Path, binding: Binding, size: int) -> None:
    path = tmp_path / "odd.blf"
    path.write_bytes(_blf(path) + struct.pack("<4sHHII", b"LOBJ", 16, 1, size, 10) + bytes(100))
    outcome = CaptureOutcome()
    (table,) = read_capture(path, binding, outcome=outcome)
    assert table.num_rows == 50
    assert "larger than" in outcome.damaged


def test_objects_that_never_end_do_not_gather(
    tmp_path: Path, binding: Binding, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An object that claims to go on for ever, in container after container."""
    monkeypatch.setattr(capture_blf, "MOST_OBJECT", 1_000_000)
    begin = struct.pack("<4sHHII", b"LOBJ", 32, 1, 0xFFFFFFF0, 1) + bytes(500_000)
    rest = b"".join(_container(zlib.compress(bytes(900_000)), 900_000) for _ in range(20))
    path = tmp_path / "endless.blf"
    path.write_bytes(_blf(path) + _container(zlib.compress(begin), len(begin)) + rest)
    outcome = CaptureOutcome()
    (table,) = read_capture(path, binding, outcome=outcome)
    assert table.num_rows == 50
    assert "larger than" in outcome.damaged


@pytest.mark.parametrize("head", [b"LOGG" + struct.pack("<I", 4), b"LOGG" + struct.pack("<I", 1 << 31)])
def test_headers_of_impossible_size(tmp_path: Path, binding: Binding, head: bytes) -> None:
    path = tmp_path / "head.blf"
    path.write_bytes(head + bytes(200))
    with pytest.raises(ImportFormatError, match="not a"):
        list(read_capture(path, binding))


@pytest.mark.parametrize("suffix", [".log", ".asc", ".blf"])
def test_how_far_it_is_is_told(
    tmp_path: Path, binding: Binding, suffix: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(captures, "TELL", 3000)
    monkeypatch.setattr(capture_log, "BLOCK", 2000)
    path = tmp_path / f"bus{suffix}"
    writers = {".log": can.CanutilsLogWriter, ".asc": can.ASCWriter, ".blf": can.BLFWriter}
    with writers[suffix](str(path)) as writer:
        for n in range(20_000):
            frame = can.Message(
                arbitration_id=0x356, is_extended_id=False, timestamp=1_767_596_400.0 + n, channel=0,
                data=(n % 5600).to_bytes(2, "little") + bytes(6),
            )  # fmt: skip
            writer.on_message_received(frame)
    told: list[int] = []
    rows = sum(t.num_rows for t in read_capture(path, binding, progress=told.append))
    assert rows == 20_000
    assert len(told) >= 2
    assert told == sorted(set(told))
    assert told[-1] <= path.stat().st_size
