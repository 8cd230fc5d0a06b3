"""What a probe found on a wire."""

from __future__ import annotations

import json
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Found:
    """One thing on a wire, with the reasons to believe it.

    Attributes
    ----------
    what : str
        One line: 'Modbus unit 1 at 9600 8N1'.
    evidence : tuple of str
        What was seen, one line each.
    doubts : tuple of str
        What it does not prove, and what to check, one line each.
    source : str
        Proposed `[[source]]` block for bank.toml; "" if there is nothing to propose.
    draft : str
        Draft of a map or binding to start from; "" if none is needed.
    database : str
        Draft of a frame database that goes with the draft; "" for Modbus.
    """

    what: str
    evidence: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()
    source: str = ""
    draft: str = ""
    database: str = ""

    def lines(self) -> list[str]:
        """For a terminal."""
        shown = [self.what]
        shown += [f"  + {line}" for line in self.evidence]
        shown += [f"  ? {line}" for line in self.doubts]
        return [*shown, "", *self.source.splitlines()] if self.source else shown


def toml_source(**keys: str | float) -> str:
    """Write a `[[source]]` block.

    >>> print(toml_source(name="a", kind="can", period_s=1.0))
    [[source]]
    name = "a"
    kind = "can"
    period_s = 1.0
    """
    lines = [
        f"{key} = {json.dumps(value, ensure_ascii=False) if isinstance(value, str) else value}"
        for key, value in keys.items()
    ]
    return "\n".join(["[[source]]", *lines])
