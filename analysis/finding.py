"""What a finding is. The rules that make them live in `analysis.findings`."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, get_args

Kind = Literal[
    "static_offset", "self_discharge", "low_capacity", "high_resistance", "loose_link", "sense_lead",
    "temperature_sensor", "current_sensor", "uneven_sharing", "lead_resistance", "heater_fault",
    "cold_charging", "balancing_behind", "capacity_fade", "data_gap",
]  # fmt: skip
KINDS: tuple[Kind, ...] = get_args(Kind)

Severity = Literal["note", "watch", "act"]
SEVERITIES: tuple[str, ...] = get_args(Severity)


@dataclass(frozen=True, slots=True)
class Forecast:
    """When something is expected to happen.

    Attributes
    ----------
    what : str
        "cell 7 ends the charge by high voltage", in words.
    day, earliest, latest : str or None
        Local dates; None with a `reason` ("no trip within two years" or why it cannot be told).
    reason : str
        Empty when `day` is given.
    """

    what: str
    day: str | None = None
    earliest: str | None = None
    latest: str | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing a skilled technician would defend.

    Attributes
    ----------
    kind : str
        One of `KINDS`.
    pack : str
        The pack, or "bank".
    cell : int or None
        Cell number from 1 (or sensor number for temperature_sensor); None if it is the whole pack.
    since : str
        Local date on which it began, as well as the data tells.
    severity : {"note", "watch", "act"}
    confidence : float
        Probability that the kind is right, 0–1.
    value, low, high, unit
        How big, with its 95 % interval.
    forecast : Forecast or None
    meaning : str
        What it means, in plain words.
    check_next : str
        What to check next, and by whom.
    evidence : tuple of str
        For and against, each a sentence with its numbers and days.
    began_before : bool
        Whether it already was so on `since`, the first day looked back on: it may have begun earlier.
    """

    kind: Kind
    pack: str
    cell: int | None
    since: str
    severity: Severity
    confidence: float
    value: float | None
    low: float | None
    high: float | None
    unit: str
    meaning: str
    check_next: str
    forecast: Forecast | None = None
    evidence: tuple[str, ...] = field(default=())
    began_before: bool = False

    @property
    def began(self) -> str:
        """When it began, to stand after "since": a local date, or "before" one."""
        return f"before {self.since}" if self.began_before else self.since
