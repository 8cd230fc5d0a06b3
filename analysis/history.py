"""The merge of map and merge: digests in a row, with counters that run on over midnight."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import cached_property

import numpy as np

from analysis.daily.anchors import Anchor
from analysis.daily.runs import Run, stitched
from analysis.day import Mark
from analysis.digest import DayDigest
from analysis.facts import PackFacts
from analysis.frame import F64

LOOK_BACK_DAYS = 400
"""How far back numbers look that describe the present; no older day's detail is needed. [d] A winter and the
one before it, to compare with. Practice, no source."""
BRIDGE_S = 120.0
"""Runs on two sides of midnight are one when no more than this lies between them, or five periods. [s]"""


@dataclass(frozen=True, slots=True)
class Span:
    """What flowed between two instants of a history.

    Attributes
    ----------
    elapsed_s, covered_s : float
        Time between them, and the part of it over which the sums ran. [s]
    ah_in, ah_out : float
        Charge in and out, both ≥ 0. [Ah]
    wh_in, wh_out : float
        Energy in and out, both ≥ 0. [Wh]
    """

    elapsed_s: float
    covered_s: float
    ah_in: float
    ah_out: float
    wh_in: float
    wh_out: float

    @property
    def ah(self) -> float:
        """Net charge, positive if charged. [Ah]"""
        return self.ah_in - self.ah_out

    @property
    def uncovered_s(self) -> float:
        """Time without valid readings. [s]"""
        return max(self.elapsed_s - self.covered_s, 0.0)


@dataclass(frozen=True, slots=True)
class PlacedAnchor:
    """An anchor with its day and with counters since the start of the history."""

    index: int
    day: str
    anchor: Anchor
    mark: Mark


@dataclass(frozen=True, eq=False)  # not slotted: totals and anchors are computed once, when first asked for
class History:
    """One pack over the days. Two histories are equal only if they are one and the same.

    Attributes
    ----------
    facts : PackFacts
    digests : tuple of DayDigest
        In order of day, one a day; days without a record may be missing.
    """

    facts: PackFacts
    digests: tuple[DayDigest, ...]

    @classmethod
    def of(cls, facts: PackFacts, digests: Iterable[DayDigest]) -> History:
        """Sort digests by day; of two of one day the later counts."""
        by_day = {digest.day: digest for digest in digests}
        return cls(facts, tuple(by_day[day] for day in sorted(by_day)))

    @cached_property
    def days(self) -> tuple[str, ...]:
        """Local dates, in order."""
        return tuple(digest.day for digest in self.digests)

    @cached_property
    def totals(self) -> F64:
        """Sums before each day, shape (days + 1, 5): ah_in, ah_out, wh_in, wh_out, covered_s."""
        rows = np.zeros((len(self.digests) + 1, 5))
        for i, digest in enumerate(self.digests):
            t = digest.flow.total
            rows[i + 1] = (t.ah_in, t.ah_out, t.wh_in, t.wh_out, t.covered_s)
        rows[:, 2:4] = np.nan_to_num(rows[:, 2:4])
        return np.cumsum(rows, axis=0)

    def at(self, index: int, mark: Mark) -> Mark:
        """Return a mark of day `index` with counters since the start of the history."""
        ah_in, ah_out, wh_in, wh_out, covered = self._rows[index]
        return Mark(
            mark.time_s,
            mark.ah_in + ah_in,
            mark.ah_out + ah_out,
            mark.wh_in + wh_in,
            mark.wh_out + wh_out,
            mark.covered_s + covered,
        )

    @cached_property
    def _rows(self) -> list[list[float]]:
        rows: list[list[float]] = self.totals.tolist()
        return rows

    def between(self, first: int, a: Mark, last: int, b: Mark) -> Span:
        """Return what flowed from mark `a` of day `first` to mark `b` of day `last`."""
        return span(self.at(first, a), self.at(last, b))

    def whole(self) -> Span:
        """Return what flowed over the whole history; elapsed from the first midnight to the last."""
        if not self.digests:
            return Span(0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
        ah_in, ah_out, wh_in, wh_out, covered = (float(x) for x in self.totals[-1])
        elapsed = self.digests[-1].end_s - self.digests[0].start_s
        return Span(elapsed, covered, ah_in, ah_out, wh_in, wh_out)

    def window(self, first: str | None = None, last: str | None = None) -> History:
        """Return the days from `first` to `last`, both included, as a history of their own."""
        days = self.days
        a = 0 if first is None else bisect_left(days, first)
        b = len(days) if last is None else bisect_right(days, last)
        return self if b - a == len(days) else History(self.facts, self.digests[a:b])

    @cached_property
    def recent(self) -> History:
        """The last `LOOK_BACK_DAYS`, from which the present is told; itself if there are no more."""
        if not self.digests:
            return self
        first = date.fromisoformat(self.days[-1]) - timedelta(days=LOOK_BACK_DAYS - 1)
        return self.window(first.isoformat())

    def anchors(self, kind: str | None = None) -> tuple[PlacedAnchor, ...]:
        """Return the anchors of a kind, or all, in order of time."""
        if kind is None:
            return self._anchors
        return tuple(placed for placed in self._anchors if placed.anchor.kind == kind)

    @cached_property
    def _anchors(self) -> tuple[PlacedAnchor, ...]:
        return tuple(
            PlacedAnchor(i, digest.day, anchor, self.at(i, anchor.mark))
            for i, digest in enumerate(self.digests)
            for anchor in digest.anchors
        )

    @cached_property
    def runs(self) -> tuple[Run, ...]:
        """Runs with counters since the start of the history; those cut by midnight are whole again."""
        out: list[Run] = []
        for i, digest in enumerate(self.digests):
            for number, run in enumerate(digest.runs):
                placed = replace(run, start=self.at(i, run.start), end=self.at(i, run.end))
                joins = number == 0 and bool(out) and _one(out[-1], placed, digest.period_s)
                if joins:
                    out[-1] = stitched(out[-1], placed)
                else:
                    out.append(placed)
        return tuple(out)


@dataclass(frozen=True, slots=True)
class Bank:
    """The packs in parallel, and the site's time zone by name."""

    packs: tuple[History, ...]
    timezone: str = "UTC"

    @property
    def recent(self) -> Bank:
        """The last `LOOK_BACK_DAYS` of each pack."""
        return Bank(tuple(pack.recent for pack in self.packs), self.timezone)


def span(a: Mark, b: Mark) -> Span:
    """Return what flowed between two marks whose counters run on."""
    return Span(
        b.time_s - a.time_s,
        b.covered_s - a.covered_s,
        b.ah_in - a.ah_in,
        b.ah_out - a.ah_out,
        b.wh_in - a.wh_in,
        b.wh_out - a.wh_out,
    )


def _one(before: Run, after: Run, period_s: float) -> bool:
    near = after.start.time_s - before.end.time_s <= max(BRIDGE_S, 5 * period_s)
    return near and before.kind == after.kind and before.open_end and after.open_start
