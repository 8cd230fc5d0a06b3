"""Recorded traffic, CAN (candump .log, .asc, .blf) or Modbus (.reg): into tables, as if it came live."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO, Any

import pyarrow as pa

from adapters import raw_registers
from adapters.assembler import Assembler
from adapters.binding import Binding, frame_key
from adapters.capture_blf import PlainBlf
from adapters.capture_log import UNWANTED, Taken, log_frames
from adapters.capture_outcome import CaptureOutcome
from adapters.channels import CATALOGUE, WITNESS_CATALOGUE
from adapters.errors import ImportFormatError
from adapters.raw_registers import Values
from adapters.registers import RegisterMap

__all__ = ["SUFFIXES", "CaptureOutcome", "read_capture", "rounds"]

SUFFIXES = (".log", ".asc", ".blf", raw_registers.SUFFIX)
"""Capture files that are read: three of CAN frames, one of Modbus registers."""
Meaning = Binding | RegisterMap
"""What a capture is read with: a binding for frames, a register map for registers."""
EARLIEST_S = 946_684_800.0
"""2000-01-01: a capture that begins earlier carries no dates. [s]"""
LATEST_S = 4_102_444_800.0
"""2100-01-01. [s]"""
QUIET_S = 0.02
"""Silence on the binding's frames that ends a burst. [s]"""
CHUNK = 20_000
"""Rows a table."""
TELL = 1_000_000
"""How often to say how far it is. [bytes]"""


class _ShortLines:
    """Lines of a text file, those without end in pieces, so that none fills the memory."""

    def __init__(self, file: IO[str], outcome: CaptureOutcome) -> None:
        self._file = file
        self._outcome = outcome

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        line = self._file.readline(4096)
        if not line:
            raise StopIteration
        self._outcome.bytes_read += len(line)
        return line

    def close(self) -> None:
        """Close the file."""
        self._file.close()


def taken(path: Path, wanted: frozenset[int], outcome: CaptureOutcome) -> Iterator[Taken]:
    """Yield the wanted data frames of a capture, and the first frame whatever it is.

    Parameters
    ----------
    path : Path
        Capture; its suffix says which kind.
    wanted : frozenset of int
        Frame keys.
    outcome : CaptureOutcome
        Filled.

    Raises
    ------
    ImportFormatError
        If the file is missing, of another kind, or its beginning cannot be read.
    """
    if path.suffix.lower() != ".log":
        yield from _by_library(path, wanted, outcome)
        return
    try:
        with path.open("rb") as file:
            yield from log_frames(file, wanted, outcome)
    except FileNotFoundError as exc:
        raise ImportFormatError(f"{path}: there is no such file", "check the path") from exc
    except OSError as exc:
        outcome.damaged = exc.strerror or str(exc)
    _refuse_empty(path, outcome)


def _by_library(path: Path, wanted: frozenset[int], outcome: CaptureOutcome) -> Iterator[Taken]:
    reader = _reader(path, outcome)
    try:
        for frame in reader:
            if not outcome.frames:
                yield frame.timestamp, UNWANTED, b""
            outcome.frames += 1
            if isinstance(reader.file, PlainBlf):
                reader.file.barren = 0
            if frame.is_error_frame or frame.is_remote_frame:
                continue
            key = frame_key(frame.arbitration_id, extended=frame.is_extended_id)
            if key in wanted:
                yield frame.timestamp, key, bytes(frame.data)
    except ImportFormatError as exc:
        outcome.damaged = exc.message
    except Exception as exc:
        # The readers raise errors of many kinds on damaged files; all mean the same to the user.
        outcome.damaged = (str(exc) or type(exc).__name__).splitlines()[0]
    finally:
        reader.stop()
    _refuse_empty(path, outcome)


def _refuse_empty(path: Path, outcome: CaptureOutcome) -> None:
    if outcome.frames == 0:
        why = outcome.damaged or "no frame in it"
        raise ImportFormatError(f"{path}: not a readable {path.suffix} capture: {why}", "record it again")


def _reader(path: Path, outcome: CaptureOutcome) -> Any:
    import can

    if path.suffix.lower() not in SUFFIXES:
        raise ImportFormatError(f"{path}: not a capture", f"captures end in {', '.join(SUFFIXES)}")
    file: Any = None
    try:
        if path.suffix.lower() == ".blf":
            file = path.open("rb")
            return can.BLFReader(PlainBlf(file, outcome))  # type: ignore[arg-type] # only reads and closes it
        file = path.open(encoding="ascii", errors="replace")
        return can.ASCReader(_ShortLines(file, outcome), relative_timestamp=False)  # type: ignore[arg-type] # reads lines only
    except FileNotFoundError as exc:
        raise ImportFormatError(f"{path}: there is no such file", "check the path") from exc
    except Exception as exc:
        # As above: whatever the reader's constructor raises, the file is no capture.
        if file is not None:
            file.close()
        why = (str(exc) or type(exc).__name__).splitlines()[0]
        raise ImportFormatError(f"{path}: not a {path.suffix} capture: {why}", "record it again") from exc


def rounds(
    path: Path,
    meaning: Meaning,
    *,
    period_s: float = 1.0,
    start_s: float | None = None,
    outcome: CaptureOutcome | None = None,
) -> Iterator[Values]:
    """Assemble the readings of a capture.

    Parameters
    ----------
    path : Path
        Capture.
    meaning : Binding or RegisterMap
        What the frames, or registers, mean.
    period_s : float
        Wanted period. [s]
    start_s : float or None
        When the recording began, for a capture that carries only relative times. [s UTC]

    Yields
    ------
    (int, dict, dict)
        Instant [ms UTC], stored integers by channel, reasons for refused values by channel.

    Raises
    ------
    ImportFormatError
        As `taken`; or if the capture carries no dates and `start_s` is None.
    """
    outcome = outcome if outcome is not None else CaptureOutcome()
    if isinstance(meaning, RegisterMap) != (path.suffix.lower() == raw_registers.SUFFIX):
        raise ImportFormatError(
            f"{path}: registers are read with a map, frames with a binding",
            f"recorded registers end in {raw_registers.SUFFIX}, captures of frames in .log, .asc or .blf",
        )
    if isinstance(meaning, RegisterMap):
        yield from raw_registers.register_rounds(path, meaning, outcome)
        return
    assembler = Assembler(meaning)
    shift_s = 0.0
    last_s: float | None = None
    for seen_s, key, payload in taken(path, assembler.keys, outcome):
        if key == UNWANTED:
            shift_s = _shift(path, seen_s, start_s)
            continue
        time_s = seen_s + shift_s
        if not EARLIEST_S <= time_s < LATEST_S:
            continue
        last_s = time_s if last_s is None else last_s
        since_s = time_s - last_s
        over = time_s - assembler.newest_s >= QUIET_S and since_s >= 0.8 * period_s
        if assembler.fresh and (over or since_s >= 1.2 * period_s or since_s < 0):
            last_s = assembler.newest_s if since_s >= 0 else time_s
            yield _made(assembler, outcome)
        assembler.take(key, payload, time_s)
    if assembler.fresh:
        yield _made(assembler, outcome)


def _made(assembler: Assembler, outcome: CaptureOutcome) -> Values:
    values, rejected = assembler.snapshot(assembler.newest_s)
    for name in rejected:
        outcome.refused[name] = outcome.refused.get(name, 0) + 1
    outcome.rounds += 1
    return int(assembler.newest_s * 1000), values, rejected


def _shift(path: Path, first_s: float, start_s: float | None) -> float:
    if start_s is not None:
        return start_s - first_s
    if not EARLIEST_S <= first_s < LATEST_S:
        raise ImportFormatError(
            f"{path}: the capture carries no dates", "say when it began: --start 2026-01-05T07:00:00Z"
        )
    return 0.0


def read_capture(
    path: Path,
    meaning: Meaning,
    *,
    period_s: float = 1.0,
    start_s: float | None = None,
    outcome: CaptureOutcome | None = None,
    progress: Callable[[int], None] | None = None,
) -> Iterator[pa.Table]:
    """Read a capture in tables, like `adapters.csv_import.read_tables`. Parameters and errors as in `rounds`.

    Parameters
    ----------
    progress : callable, optional
        Called now and then with how many bytes of the file are read.

    Yields
    ------
    pyarrow.Table
        `time_ms` int64, sorted, and the channels of binding or map as stored integers, null where absent.
    """
    outcome = outcome if outcome is not None else CaptureOutcome()
    batch: dict[int, dict[str, int]] = {}
    told = 0
    for time_ms, values, _ in rounds(path, meaning, period_s=period_s, start_s=start_s, outcome=outcome):
        batch.setdefault(time_ms, values)
        if progress is not None and outcome.bytes_read - told >= TELL:
            told = outcome.bytes_read
            progress(told)
        if len(batch) >= CHUNK:
            yield _table(batch, meaning)
            batch = {}
    if batch:
        yield _table(batch, meaning)


def _table(batch: dict[int, dict[str, int]], meaning: Meaning) -> pa.Table:
    times = sorted(batch)
    rows = [batch[time_ms] for time_ms in times]
    arrays, names = [pa.array(times, pa.int64())], ["time_ms"]
    for name in meaning.channels:
        kind = (CATALOGUE.get(name) or WITNESS_CATALOGUE[name]).kind
        arrays.append(pa.array([row.get(name) for row in rows], pa.int64() if kind == "bits" else pa.int32()))
        names.append(name)
    return pa.table(arrays, names=names)
