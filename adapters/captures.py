"""Recorded CAN traffic (candump .log, .asc, .blf): into tables through the same bindings as a live bus."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

import pyarrow as pa

from adapters.assembler import Assembler
from adapters.binding import Binding, frame_key
from adapters.channels import CATALOGUE, WITNESS_CATALOGUE
from adapters.errors import ImportFormatError

if TYPE_CHECKING:
    import can

SUFFIXES = (".log", ".asc", ".blf")
"""Capture files that are read."""
EARLIEST_S = 946_684_800.0
"""2000-01-01: a capture that begins earlier carries no dates. [s]"""
LATEST_S = 4_102_444_800.0
"""2100-01-01. [s]"""
QUIET_S = 0.02
"""Silence on the binding's frames that ends a burst. [s]"""
CHUNK = 20_000
"""Rows a table."""
MOST_KEPT = 1000

_CANDUMP = re.compile(
    r"^\(\d{1,12}(\.\d{1,9})?\) [\w.\-]{1,32} [0-9A-Fa-f]{3,8}#"
    r"(R\d?|([0-9A-Fa-f]{2}){0,8}|#[0-9A-Fa-f]([0-9A-Fa-f]{2}){0,64})"
    r"( [RT])?\s*$"
)


@dataclass(slots=True)
class CaptureOutcome:
    """What became of a capture.

    Attributes
    ----------
    frames : int
        Frames read, of any kind.
    rounds : int
        Readings made of them.
    rejected : list of (int, str)
        Lines of a text capture that are no frames: number and reason; the first thousand.
    damaged : str
        Why reading stopped early; "" if it did not.
    refused : dict of str to int
        Values that cannot be right, by channel.
    """

    frames: int = 0
    rounds: int = 0
    rejected: list[tuple[int, str]] = field(default_factory=list)
    rejected_count: int = 0
    damaged: str = ""
    refused: dict[str, int] = field(default_factory=dict)

    def notes(self) -> list[str]:
        """Everything a person should know, one line each."""
        lines = [f"line {number}: {reason}" for number, reason in self.rejected[:20]]
        if self.rejected_count > len(lines):
            lines.append(f"{self.rejected_count - len(lines)} more lines are no frames")
        if self.damaged:
            lines.append(f"damaged after {self.frames} frames: {self.damaged}; what came before was taken")
        lines += [f"{name}: {count} values refused" for name, count in self.refused.items()]
        return lines


class _FrameLines:
    """Lines of a candump log that are frames; the others are noted and skipped."""

    def __init__(self, file: IO[str], outcome: CaptureOutcome) -> None:
        self._file = file
        self._outcome = outcome

    def __iter__(self) -> Iterator[str]:
        for number, line in enumerate(iter(lambda: self._file.readline(4096), ""), start=1):
            if _CANDUMP.match(line):
                yield line
            elif line.strip():
                self._outcome.rejected_count += 1
                if len(self._outcome.rejected) < MOST_KEPT:
                    self._outcome.rejected.append((number, f"{line.strip()[:40]!r} is no candump frame"))

    def close(self) -> None:
        """Close the file."""
        self._file.close()


def frames(path: Path, outcome: CaptureOutcome) -> Iterator[can.Message]:
    """Read every frame of a capture with python-can's readers.

    Raises
    ------
    ImportFormatError
        If the file is missing, of another kind, or its beginning cannot be read.
    """
    reader = _reader(path, outcome)
    try:
        for frame in reader:
            outcome.frames += 1
            yield frame
    except ImportFormatError:
        raise
    except Exception as exc:
        # The readers raise errors of many kinds on damaged files; all mean the same to the user.
        outcome.damaged = (str(exc) or type(exc).__name__).splitlines()[0]
    finally:
        reader.stop()
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
            return can.BLFReader(file)
        file = path.open(encoding="ascii", errors="replace")
        if path.suffix.lower() == ".asc":
            return can.ASCReader(file, relative_timestamp=False)
        return can.CanutilsLogReader(_FrameLines(file, outcome))  # type: ignore[arg-type] # reads lines only
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
    binding: Binding,
    *,
    period_s: float = 1.0,
    start_s: float | None = None,
    outcome: CaptureOutcome | None = None,
) -> Iterator[tuple[int, dict[str, int], dict[str, str]]]:
    """Assemble the readings of a capture.

    Parameters
    ----------
    path : Path
        Capture.
    binding : Binding
        What the frames mean.
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
        As `frames`; or if the capture carries no dates and `start_s` is None.
    """
    outcome = outcome if outcome is not None else CaptureOutcome()
    assembler = Assembler(binding)
    keys = assembler.keys
    shift_s = 0.0
    last_s: float | None = None
    for number, frame in enumerate(frames(path, outcome)):
        if number == 0:
            shift_s = _shift(path, frame.timestamp, start_s)
        time_s = frame.timestamp + shift_s
        if frame.is_error_frame or frame.is_remote_frame or not EARLIEST_S <= time_s < LATEST_S:
            continue
        key = frame_key(frame.arbitration_id, extended=frame.is_extended_id)
        if key not in keys:
            continue
        last_s = time_s if last_s is None else last_s
        since_s = time_s - last_s
        over = time_s - assembler.newest_s >= QUIET_S and since_s >= 0.8 * period_s
        if assembler.fresh and (over or since_s >= 1.2 * period_s or since_s < 0):
            last_s = assembler.newest_s if since_s >= 0 else time_s
            yield _made(assembler, outcome)
        assembler.take(key, bytes(frame.data), time_s)
    if assembler.fresh:
        yield _made(assembler, outcome)


def _made(assembler: Assembler, outcome: CaptureOutcome) -> tuple[int, dict[str, int], dict[str, str]]:
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
    binding: Binding,
    *,
    period_s: float = 1.0,
    start_s: float | None = None,
    outcome: CaptureOutcome | None = None,
    progress: Callable[[int], None] | None = None,
) -> Iterator[pa.Table]:
    """Read a capture in tables, like `adapters.csv_import.read_tables`. Parameters and errors as in `rounds`.

    Yields
    ------
    pyarrow.Table
        `time_ms` int64, sorted, and the binding's channels as stored integers, null where absent.
    """
    outcome = outcome if outcome is not None else CaptureOutcome()
    batch: dict[int, dict[str, int]] = {}
    for time_ms, values, _ in rounds(path, binding, period_s=period_s, start_s=start_s, outcome=outcome):
        batch.setdefault(time_ms, values)
        if len(batch) >= CHUNK:
            yield _table(batch, binding)
            batch = {}
            if progress is not None:
                progress(outcome.frames)
    if batch:
        yield _table(batch, binding)


def _table(batch: dict[int, dict[str, int]], binding: Binding) -> pa.Table:
    times = sorted(batch)
    arrays, names = [pa.array(times, pa.int64())], ["time_ms"]
    for name in binding.channels:
        kind = (CATALOGUE.get(name) or WITNESS_CATALOGUE[name]).kind
        arrays.append(
            pa.array([batch[t].get(name) for t in times], pa.int64() if kind == "bits" else pa.int32())
        )
        names.append(name)
    return pa.table(arrays, names=names)
