"""A course of days set as the figure of a finding."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from analysis.finding import Finding
from analysis.report.dates import span_text
from analysis.report.figures_trend import Level, Trend, trend
from analysis.report.numbers import plain
from analysis.report.scope import Scope
from analysis.report.value import Figure

RECENT = 21
"""The last days whose median stands for the present. [days]"""
BARS = "Thin lines: 95\u202f% intervals"

Band = tuple[tuple[str, float, float], ...]


def course(
    points: Sequence[tuple[str, float]],
    unit: str,
    *,
    others: Band = (),
    others_name: str = "all other cells",
    level: Level | None = None,
    zero: bool = True,
) -> Trend:
    """A value a day, beside the band of its peers or the level it should have; words as for `Trend`."""
    return Trend(
        tuple(day for day, _ in points),
        tuple(value for _, value in points),
        unit,
        others=others,
        others_name=others_name,
        level=level,
        zero=zero,
    )


def drawn(
    scope: Scope,
    index: int,
    finding: Finding,
    what: Trend,
    *,
    name: str,
    title: str,
    source: str,
    least: float,
) -> Figure | None:
    """Set a course of days as a figure; None with fewer than two of them."""
    if len(what.days) < 2:
        return None
    key = f"found-{name}-{index}-{finding.cell or 0}"
    since = None if finding.began_before else finding.since
    middle = sorted(what.values[-RECENT:])[min(len(what.values), RECENT) // 2]
    against = "" if what.level is None else f"; {what.level.name}: {plain(what.level.value, 2)}"
    return Figure(
        key,
        trend(key, replace(what, since=since), pack=scope.look(index), least=least),
        title,
        f"{title}. {what.unit}: {plain(middle, 2)} in the middle of the last days{against}.",
        span_text(what.days[0], what.days[-1]),
        f"{plain(len(what.days), 0)} {source}",
    )


def band(values: Sequence[tuple[str, float]]) -> Band:
    """Lowest and highest of each day."""
    by_day: dict[str, list[float]] = {}
    for day, value in values:
        if math.isfinite(value):
            by_day.setdefault(day, []).append(value)
    return tuple((day, min(v), max(v)) for day, v in sorted(by_day.items()))
