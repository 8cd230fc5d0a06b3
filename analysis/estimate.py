"""The one form in which a number leaves the analysis: value, unit, interval or reason, and basis."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Estimate:
    """A number that can be printed.

    Attributes
    ----------
    value : float or None
        None when the data cannot support a number; then `reason` says why and what would.
    unit : str
        "Ah", "mA", "%" is never used: fractions carry unit "1".
    low, high : float or None
        95 % interval; None only with a `reason`.
    basis : str
        What it was computed from, in words: "14 charges past 3.42 V, 2026-01-03 to 2026-02-20".
    n : int
        Number of observations behind it.
    coverage : float or None
        Fraction of the window's time that has valid readings.
    reason : str
        Why there is no value, or no interval; empty otherwise.
    """

    value: float | None
    unit: str
    low: float | None = None
    high: float | None = None
    basis: str = ""
    n: int = 0
    coverage: float | None = None
    reason: str = ""

    @property
    def known(self) -> bool:
        """Whether there is a value."""
        return self.value is not None


def unknown(unit: str, reason: str, basis: str = "", n: int = 0, coverage: float | None = None) -> Estimate:
    """Return an estimate without a value, with the reason and what would supply it."""
    return Estimate(None, unit, basis=basis, n=n, coverage=coverage, reason=reason)


def around(
    value: float, half: float, unit: str, *, basis: str = "", n: int = 0, coverage: float | None = None
) -> Estimate:
    """Return an estimate with a symmetric 95 % interval of `half` on each side."""
    return Estimate(value, unit, value - half, value + half, basis, n, coverage)
