"""What the writer was doing when each request went to the disk: from its console, and from the log itself."""

from __future__ import annotations

import re
import subprocess
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from diskcut import DISCARD, FLUSH, SECTOR, Entry, entries
from writer import number

AIMS = {
    "commit": ("OFFERED", "COMMITTED"),
    "sealing": ("SEALING", "SEALED"),
    "backup": ("BACKUP", "BACKED-UP"),
    "migration": ("MIGRATING", "MIGRATED"),
}
"""Name to the console's words before and after; a checkpoint says nothing and is seen in the log alone."""
WORDS = {w for pair in AIMS.values() for w in pair} | {"WRITER", "TURNING-BACK", "TURNED-BACK"}

Line = tuple[int, float, str]
"""Requests logged and the clock when a line was read [s], and the line."""
Spans = dict[str, list[tuple[int, int]]]
"""Name to spans of requests: those numbered from + 1 to `last` belong to it."""


@dataclass
class Ledger:
    """What the console said: each line with the requests logged and the clock when it was read."""

    lines: list[Line] = field(default_factory=list)

    def add(self, requests: int, line: str) -> None:
        """Note a line."""
        self.lines.append((requests, time.monotonic(), line))

    def safe(self, at: int) -> tuple[int, int]:
        """Return the newest instants committed and sealed for sure at request `at`; 0: none. [ms]"""
        newest = {"COMMITTED": 0, "SEALED": 0}
        for seen, _, line in self.lines:
            word, *rest = line.split()
            if seen <= at and word in newest and rest:
                newest[word] = int(rest[0])
        return newest["COMMITTED"], newest["SEALED"]

    def said(self, word: str, at: int) -> bool:
        """Whether a word had been said by request `at`."""
        return any(seen <= at and line.split()[0] == word for seen, _, line in self.lines)

    def age(self, missing: int, at: int) -> float:
        """Return how long before request `at` the first of the missing readings was said to be safe. [s]"""
        committed, _ = self.safe(at)
        oldest = number(committed) - missing + 1
        now = max((clock for seen, clock, _ in self.lines if seen <= at), default=0.0)
        for _, clock, line in self.lines:
            word, *rest = line.split()
            if word == "COMMITTED" and rest and number(int(rest[0])) >= oldest:
                return now - clock
        return 0.0

    def pairs(self, aim: str) -> list[tuple[Line, Line | None]]:
        """Return its lines before and after, in order; the last may not have ended."""
        begin, end = AIMS[aim]
        out: list[tuple[Line, Line | None]] = []
        for line in self.lines:
            word = line[2].split()[0]
            if word == begin:
                out.append((line, None))
            elif word == end and out and out[-1][1] is None:
                out[-1] = (out[-1][0], line)
        return out

    def lasted(self, aim: str) -> list[float]:
        """Return how long each of its kind took. [s]"""
        return [after[1] - before[1] for before, after in self.pairs(aim) if after is not None]


def spans_of(issued: list[Entry], ledger: Ledger, record_sectors: list[range]) -> Spans:
    """Return the spans of everything that a life did; what did no request has none."""
    out: Spans = {}
    for aim in AIMS:
        for before, after in ledger.pairs(aim):
            last = len(issued) if after is None else min(after[0], len(issued))
            if last > before[0]:
                out.setdefault(aim, []).append((before[0], last))
    found = checkpoints(issued, record_sectors)
    return out | {"checkpoint": found} if found else out


def checkpoints(issued: list[Entry], record: list[range]) -> list[tuple[int, int]]:
    """Return the spans from a first write into the record's own file up to the flush that makes it last.

    In SQLite's write-ahead mode nothing but a checkpoint writes there.
    """
    out: list[tuple[int, int]] = []
    begun: int | None = None
    for i, entry in enumerate(issued):
        if entry.flags & FLUSH and begun is not None and i > begun:
            out.append((begun, i))
            begun = None
        end = entry.sector + entry.sectors
        writes = entry.sectors and not entry.flags & DISCARD
        if begun is None and writes and any(r.start < end and entry.sector < r.stop for r in record):
            begun = i
    if begun is not None and begun < len(issued):
        out.append((begun, len(issued)))
    return out


def sectors_of(file: Path) -> list[range]:
    """Return where on its disk a file's content lies; empty if there is no file. 512-byte sectors"""
    if not file.exists():
        return []
    run = subprocess.run(
        ["filefrag", "-e", f"-b{SECTOR}", str(file)], check=True, capture_output=True, text=True
    )
    rows = re.findall(r"^ *\d+: *\d+\.\. *\d+: *(\d+)\.\. *(\d+):", run.stdout, re.MULTILINE)
    return [range(int(a), int(b) + 1) for a, b in rows]


def counter_of(log: Path) -> Callable[[], int]:
    """Return a function that counts the requests in a growing log without reading it again."""
    at, n = SECTOR, 0

    def count() -> int:
        nonlocal at, n
        for entry in entries(log, at):
            n += 1
            at = entry.end
        return n

    return count
