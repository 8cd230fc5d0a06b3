"""What became of an imported file."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    import numpy as np

    from adapters.csv_header import Header

MOST_KEPT = 1000
"""Refused lines that are kept with their reason; beyond that they are only counted."""


class RejectedLine(NamedTuple):
    """A line that was not taken: its number in the file, from 1, and why."""

    line: int
    reason: str


@dataclass(slots=True)
class CsvOutcome:
    """Counts and complaints, filled while the file is read.

    Attributes
    ----------
    rows : int
        Rows handed on.
    lines : int
        Lines read after the header, blank ones not counted.
    rejected : int
        Refused lines.
    reasons : list of RejectedLine
        The first thousand of them, with their reason.
    unknown : tuple of str
        Columns of the file that no channel has; they are not read.
    columns : tuple of str
        Channels that are read.
    out_of_range : dict of str to int
        Cells dropped because they cannot be right, by channel.
    duplicates : int
        Rows with an instant that was there already.
    insane_times : int
        Rows with an instant before 2000 or after 2099.
    backwards : int
        How often the time went back from one chunk to the next.
    naive : bool
        Whether timestamps without a zone were taken as UTC.
    """

    rows: int = 0
    lines: int = 0
    rejected: int = 0
    reasons: list[RejectedLine] = field(default_factory=list)
    unknown: tuple[str, ...] = ()
    columns: tuple[str, ...] = ()
    out_of_range: dict[str, int] = field(default_factory=dict)
    duplicates: int = 0
    insane_times: int = 0
    backwards: int = 0
    naive: bool = False
    bytes_read: int = 0
    bytes_total: int = 0
    last_ms: int | None = None

    def start(self, header: Header, size: int) -> None:
        """Note what the header says, and the size of the file. [bytes]"""
        self.unknown, self.columns, self.bytes_total = header.unknown, header.known, size

    def reject(self, line: int, reason: str) -> None:
        """Note a refused line."""
        self.rejected += 1
        if len(self.reasons) < MOST_KEPT:
            self.reasons.append(RejectedLine(line, reason))

    def note_order(self, times_ms: np.ndarray) -> None:
        """Note whether a chunk, sorted, begins before the last one ended. [ms UTC]"""
        if times_ms.size == 0:
            return
        if self.last_ms is not None and int(times_ms[0]) <= self.last_ms:
            self.backwards += 1
        self.last_ms = max(self.last_ms or 0, int(times_ms[-1]))

    def notes(self) -> list[str]:
        """Everything a person should know, one line each."""
        lines = [f"line {r.line}: {r.reason}" for r in self.reasons[:20]]
        if self.rejected > len(lines):
            lines.append(f"{self.rejected - len(lines)} more lines were refused")
        if self.unknown:
            lines.append("columns not read, because no channel has this name: " + ", ".join(self.unknown))
        lines += [f"{name}: {count} values out of range dropped" for name, count in self.out_of_range.items()]
        if self.duplicates:
            lines.append(f"{self.duplicates} rows repeat an instant; the first of each was kept")
        if self.insane_times:
            lines.append(f"{self.insane_times} rows before the year 2000 or after 2099 dropped")
        if self.naive:
            lines.append("timestamps without a zone were taken as UTC")
        return lines
