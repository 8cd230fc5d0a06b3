"""What became of a capture that was read."""

from __future__ import annotations

from dataclasses import dataclass, field

MOST_KEPT = 1000
"""Rejected lines that are kept with their reason; the rest is counted."""


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
    bytes_read : int
        How far into the file. [bytes]
    """

    frames: int = 0
    rounds: int = 0
    rejected: list[tuple[int, str]] = field(default_factory=list)
    rejected_count: int = 0
    damaged: str = ""
    refused: dict[str, int] = field(default_factory=dict)
    bytes_read: int = 0

    def reject(self, number: int, line: str, what: str = "candump frame") -> None:
        """Take note of a line that is no frame."""
        self.rejected_count += 1
        if len(self.rejected) < MOST_KEPT:
            self.rejected.append((number, f"{line.strip()[:40]!r} is no {what}"))

    def notes(self) -> list[str]:
        """Everything a person should know, one line each."""
        lines = [f"line {number}: {reason}" for number, reason in self.rejected[:20]]
        if self.rejected_count > len(lines):
            lines.append(f"{self.rejected_count - len(lines)} more lines are no frames")
        if self.damaged:
            lines.append(f"damaged after {self.frames} frames: {self.damaged}; what came before was taken")
        lines += [f"{name}: {count} values refused" for name, count in self.refused.items()]
        return lines
