"""One cause found in one cell, and the small arithmetic of being sure."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, timedelta

from analysis.estimate import Estimate
from analysis.finding import Kind, Severity

TOP_CONFIDENCE = 0.97
"""No diagnosis from voltages and currents alone is surer. [1]"""


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """One cause found in one cell.

    Attributes
    ----------
    kind : Kind
    cell : int or None
        From 1; None if it is the whole pack.
    since : str
        Local date.
    confidence : float
        Probability that the kind is right. [1]
    size : Estimate
        How big.
    level : {"note", "watch", "act"}
        By size alone; a forecast may raise it.
    evidence : tuple of str
        For and against, in sentences.
    """

    kind: Kind
    cell: int | None
    since: str
    confidence: float
    size: Estimate
    level: Severity
    evidence: tuple[str, ...]


def date_of(t_day: float) -> str:
    """ISO date of a time in days since 1970-01-01."""
    return (date(1970, 1, 1) + timedelta(days=int(t_day))).isoformat()


def sd_of(estimate: Estimate) -> float:
    """Standard deviation that the 95 % interval stands for; infinite where unknown."""
    if estimate.low is None or estimate.high is None:
        return math.inf
    return (estimate.high - estimate.low) / 3.92


def z_of(estimate: Estimate) -> float:
    """Value over standard deviation; 0 where unknown."""
    sd = sd_of(estimate)
    if estimate.value is None or not 0 < sd < math.inf:
        return 0.0
    return estimate.value / sd


def level_of(value: float, note: float, watch: float, act: float) -> Severity | None:
    """Return the severity by size, None below `note`."""
    if value >= act:
        return "act"
    if value >= watch:
        return "watch"
    return "note" if value >= note else None


def surety(z: float, least: float) -> float:
    """Confidence from how far a number is beyond chance: 0.6 at the limit, rising with the excess."""
    return min(TOP_CONFIDENCE, 1.0 - 0.4 * math.exp(-max(z - least, 0.0) / 4.0))


def share(odds_log: float) -> float:
    """Probability of the first of two causes from the logarithm of their odds."""
    return 1.0 / (1.0 + math.exp(-odds_log))


def said(estimate: Estimate, digits: int = 1, scale: float = 1.0, unit: str | None = None) -> str:
    """A number with its interval, in words."""
    if estimate.value is None or estimate.low is None or estimate.high is None:
        return f"not known ({estimate.reason})"
    value, low, high = (f"{x * scale:.{digits}f}" for x in (estimate.value, estimate.low, estimate.high))
    return f"{value} {unit or estimate.unit} (95 %: {low} to {high})"
