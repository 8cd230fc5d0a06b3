"""What a section is written from: the bank, what was computed of it, and the days it speaks about."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from analysis.estimate import Estimate
from analysis.finding import Finding
from analysis.health import Health, PackHealth
from analysis.history import Bank, History
from analysis.report.dates import span_text
from analysis.report.numbers import METRIC, Units
from analysis.report.value import Figure, Gallery, Numbers, Row, Statement

PACK = "Pack "
"""How the label of a line about one pack begins."""


@dataclass(frozen=True, slots=True)
class Scope:
    """The material of a report.

    Attributes
    ----------
    bank : Bank
    health : Health
        Of the days the report speaks about.
    findings : tuple of Finding
    first, last : str
        Those days, local.
    units : Units
    places : tuple of int
        Where each pack stands in the whole bank, if this is a part of it: a pack keeps its colour and mark.
    others : tuple of History
        Packs of the bank that are not spoken about, but carry part of its current.
    """

    bank: Bank
    health: Health
    findings: tuple[Finding, ...]
    first: str
    last: str
    units: Units = METRIC
    places: tuple[int, ...] = ()
    others: tuple[History, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        """The packs, in order."""
        return tuple(history.facts.name for history in self.bank.packs)

    def look(self, index: int) -> int:
        """Which colour and mark a pack has: that of its place in the whole bank."""
        return self.places[index] if self.places else index

    def beside(self, index: int) -> tuple[History, ...]:
        """Every other pack of the bank, spoken about or not."""
        return (*(h for i, h in enumerate(self.bank.packs) if i != index), *self.others)

    @property
    def window(self) -> str:
        """The days, in words."""
        return span_text(self.first, self.last)

    def days(self, history: History) -> History:
        """The part of a history that the report speaks about."""
        return history.window(self.first, self.last)

    def calendar(self) -> list[str]:
        """Every local date of the window, recorded or not."""
        first, last = date.fromisoformat(self.first), date.fromisoformat(self.last)
        return [(first + timedelta(days=i)).isoformat() for i in range((last - first).days + 1)]


def rows(
    scope: Scope, wanted: Sequence[tuple[str, str, Callable[[PackHealth], Estimate]]]
) -> tuple[Row, ...]:
    """Rows with a value for each pack.

    Parameters
    ----------
    scope : Scope
    wanted : sequence of (key, label, function)
        The function picks the number out of a pack's health.
    """
    return tuple(Row(key, label, tuple(pick(p) for p in scope.health.packs)) for key, label, pick in wanted)


def numbers(
    scope: Scope, wanted: Sequence[tuple[str, str, Callable[[PackHealth], Estimate]]], title: str = ""
) -> Numbers:
    """A block of such rows."""
    return Numbers(scope.names, rows(scope, wanted), title)


def gallery(scope: Scope, draw: Callable[[int, History], Figure]) -> Gallery:
    """A figure for each pack, side by side where there is room."""
    return Gallery(tuple(draw(i, history) for i, history in enumerate(scope.bank.packs)))


def as_unit(e: Estimate, unit: str) -> Estimate:
    """The same number under a more telling unit ("cycles" for a plain ratio)."""
    return replace(e, unit=unit)


def beside(*packs: tuple[Row, ...]) -> tuple[Row, ...]:
    """Join the rows of single packs, all with the same keys, into rows with a value for each pack."""
    return tuple(
        replace(same[0], values=tuple(value for row in same for value in row.values))
        for same in zip(*packs, strict=True)
    )


def together(lines: Iterable[Statement]) -> list[Statement]:
    """Say once what is said of several packs in the same words: "Packs A, B"."""
    out: dict[tuple[str, str, str], list[Statement]] = {}
    for line in lines:
        about = "" if line.label.startswith(PACK) else line.label
        out.setdefault((line.text, line.tone, about), []).append(line)
    return [_joined(same) for same in out.values()]


def _joined(same: list[Statement]) -> Statement:
    names = [line.label.removeprefix(PACK) for line in same]
    return same[0] if len(same) == 1 else replace(same[0], label=f"Packs {', '.join(names)}")
