"""Register reads kept as they came, and made into readings later with a map. Format: MAPS.md, section 3.2."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import IO, NamedTuple

from adapters.capture_outcome import CaptureOutcome
from adapters.errors import ImportFormatError
from adapters.planner import Read
from adapters.registers import RegisterMap

SUFFIX = ".reg"
TITLE = "# bankbook registers 1"
COLUMNS = "round,time,unit,function,address,registers"
LONGEST_LINE = 1024
"""Characters of a line; 125 registers take 670."""

_LINE = re.compile(
    r"(\d{1,12}),(\d{1,12}(?:\.\d{1,6})?),(\d{1,3}),([34]),(\d{1,5}),([0-9A-F]{4}(?: [0-9A-F]{4}){0,124})\s*"
)
Values = tuple[int, dict[str, int], dict[str, str]]


class RawRead(NamedTuple):
    """One answered read: number of its round, when [s UTC], unit, function, first register, the registers."""

    round: int
    time_s: float
    unit: int
    function: int
    address: int
    registers: Sequence[int]

    def line(self) -> str:
        """The line that stands for it in a file."""
        words = " ".join(f"{word:04X}" for word in self.registers)
        return f"{self.round},{self.time_s:.3f},{self.unit},{self.function},{self.address},{words}\n"


def reads_in(path: Path, outcome: CaptureOutcome) -> Iterator[RawRead]:
    """Yield the reads of a file; lines that are none are counted and named.

    Raises
    ------
    ImportFormatError
        If the file is missing or of another kind.
    """
    try:
        with path.open(encoding="ascii", errors="replace") as file:
            if file.readline(LONGEST_LINE).strip() != TITLE:
                raise ImportFormatError(
                    f"{path}: does not begin with {TITLE!r}", "record it with bankbook record-raw"
                )
            yield from _reads(file, outcome)
    except FileNotFoundError as exc:
        raise ImportFormatError(f"{path}: there is no such file", "check the path") from exc
    except OSError as exc:
        raise ImportFormatError(
            f"{path}: cannot be read: {exc.strerror}", "check its owner and mode"
        ) from exc
    if outcome.frames == 0:
        raise ImportFormatError(f"{path}: no register read in it", "record it again")


def _reads(file: IO[str], outcome: CaptureOutcome) -> Iterator[RawRead]:
    for number, line in enumerate(iter(lambda: file.readline(LONGEST_LINE), ""), start=2):
        outcome.bytes_read += len(line)
        if line.startswith("#") or line.strip() in {"", COLUMNS}:
            continue
        match = _LINE.fullmatch(line)
        words = [int(word, 16) for word in match[6].split()] if match else []
        if match is None or int(match[5]) + len(words) > 0x10000:
            outcome.reject(number, line, "register read")
            continue
        outcome.frames += 1
        yield RawRead(int(match[1]), float(match[2]), int(match[3]), int(match[4]), int(match[5]), words)


def register_rounds(path: Path, register_map: RegisterMap, outcome: CaptureOutcome) -> Iterator[Values]:
    """Make readings of the reads of each round, with any map: not only the one they were recorded with.

    Parameters
    ----------
    path : Path
        File.
    register_map : RegisterMap
        What the registers mean.
    outcome : CaptureOutcome
        Filled.

    Yields
    ------
    (int, dict, dict)
        When the last read of the round was answered [ms UTC], stored integers, reasons for refused values.

    Raises
    ------
    ImportFormatError
        As `reads_in`.
    """
    number: int | None = None
    time_s = 0.0
    known: dict[tuple[int, int], int] = {}
    for read in reads_in(path, outcome):
        if read.round != number:
            if number is not None:
                yield from _reading(time_s, known, register_map, outcome)
            number, known = read.round, {}
        time_s = read.time_s
        known.update(((read.function, read.address + n), word) for n, word in enumerate(read.registers))
    yield from _reading(time_s, known, register_map, outcome)


def _reading(
    time_s: float, known: dict[tuple[int, int], int], register_map: RegisterMap, outcome: CaptureOutcome
) -> Iterator[Values]:
    values: dict[str, int] = {}
    rejected: dict[str, str] = {}
    for item in register_map.items:
        places = [(item.function, item.address + n) for n in range(item.width)]
        if all(place in known for place in places):
            words = [known[place] for place in places]
            Read(item.function, item.address, item.width, (item,)).decode(words, values, rejected)
    for name in rejected:
        outcome.refused[name] = outcome.refused.get(name, 0) + 1
    if values:
        outcome.rounds += 1
        yield round(time_s * 1000), values, rejected
