"""What a test may ask of an estimate: that there is a number, that its interval holds the truth."""

from __future__ import annotations

from typing import Protocol

from analysis.estimate import Estimate


class Ranged(Protocol):
    """Anything with a 95 % interval: an estimate, a finding."""

    @property
    def low(self) -> float | None: ...
    @property
    def high(self) -> float | None: ...


def number(found: Estimate) -> float:
    """Return the value; that there is none fails with its reason."""
    assert found.value is not None, found.reason
    return found.value


def holds(found: Ranged, truth: float) -> bool:
    """Whether the interval holds the truth; that there is no interval fails."""
    assert found.low is not None
    assert found.high is not None
    return found.low < truth < found.high
