"""Cells in order with their place at the knees, and one cell through time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from matplotlib.axes import Axes

from analysis.report.dates import ordinal, short_day
from analysis.report.scales import day_axis, light_grid, muted_note, name_beside, nice_limits, unit_label
from analysis.report.series import kept
from analysis.report.style import (
    INK,
    MUTED,
    PACK_COLOURS,
    PACK_LINES,
    PACK_MARKERS,
    RED,
    SAND,
    axes,
    canvas,
    svg,
)

MARKS = 250
"""Of a longer series no more than twice as many marks are drawn; extremes stay."""


@dataclass(frozen=True, slots=True)
class CellPoint:
    """One cell's place.

    Attributes
    ----------
    cell : int
        From 1.
    value : float or None
        None where it could not be measured.
    low, high : float or None
        95 % interval.
    at_least : bool
        The cell did not reach the level: the truth lies at `value` or further from zero.
    """

    cell: int
    value: float | None
    low: float | None = None
    high: float | None = None
    at_least: bool = False


@dataclass(frozen=True, slots=True)
class Strip:
    """All cells of a pack in order, in one situation ("At the top of charge").

    Attributes
    ----------
    title, unit : str
    points : tuple of CellPoint
    least : float
        The axis never shows a smaller span. [unit]
    limits : (float, float) or None
        Limits shared with the strips of other packs. [unit]
    """

    title: str
    unit: str
    points: tuple[CellPoint, ...]
    least: float
    limits: tuple[float, float] | None = None


def cell_strip(key: str, strips: Sequence[Strip], *, pack: int, marked: frozenset[int] = frozenset()) -> str:
    """Draw strips under each other, cell numbers between.

    Parameters
    ----------
    key : str
        Prefix of the ids in the drawing.
    strips : sequence of Strip
        From top to bottom.
    pack : int
        Index of the pack: picks colour and marker.
    marked : frozenset of int
        Cells with a finding: drawn filled in red with a thick stem and named.
    """
    height = 30 + 128 * len(strips)
    with canvas(key, height) as figure:
        for i, strip in enumerate(strips):
            ax = axes(figure, top=34, bottom=22, of=1 / len(strips), at=i / len(strips), left=44)
            _one_strip(ax, strip, pack, marked)
        return svg(figure, key)


def strip_limits(strips: Sequence[Strip]) -> tuple[float, float]:
    """Common limits of the strips of several packs, so that two packs can be compared by eye."""
    values = [v for s in strips for p in s.points for v in (p.value, p.low, p.high) if v is not None]
    return nice_limits([0.0, *values], least=max(s.least for s in strips))


def _one_strip(ax: Axes, strip: Strip, pack: int, marked: frozenset[int]) -> None:
    n = len(strip.points)
    ax.set_xlim(0.4, n + 0.6)
    ax.set_ylim(*(strip.limits or strip_limits([strip])))
    ax.axhline(0, color=MUTED, linewidth=0.9)
    ax.set_xticks(range(1, n + 1))
    ax.set_xticklabels(
        [str(c) if n <= 20 or c % 2 else "" for c in range(1, n + 1)], fontsize=11.5 if n <= 16 else 10
    )
    ax.tick_params(axis="x", length=0)
    light_grid(ax)
    unit_label(ax, f"{strip.title}, {strip.unit}")
    if all(p.value is None for p in strip.points):
        muted_note(ax, "not measured in these days")
        return
    _cells(ax, [p for p in strip.points if p.cell not in marked], pack, marked=False)
    _cells(ax, [p for p in strip.points if p.cell in marked], pack, marked=True)
    for point in strip.points:
        if point.cell in marked and point.value is not None:
            left = point.cell > n * 0.6
            least = "at least " if point.at_least else ""
            text = f"cell {point.cell}: {least}{abs(point.value):.1f} {strip.unit}"
            name_beside(
                ax,
                point.cell,
                point.value,
                text,
                dx=-9 if left else 9,
                ha="right" if left else "left",
                color=RED,
            )


def _cells(ax: Axes, points: Sequence[CellPoint], pack: int, *, marked: bool) -> None:
    """Stems from zero with a mark at the end, thin lines for intervals; all in few calls, for speed."""
    colour = RED if marked else PACK_COLOURS[pack % 4]
    known = [(p.cell, p.value, p) for p in points if p.value is not None]
    unknown = [p.cell for p in points if p.value is None]
    if unknown:
        ax.plot(unknown, [0] * len(unknown), marker="x", color=MUTED, markersize=6, linestyle="none")
    if not known:
        return
    x, y = [k[0] for k in known], [k[1] for k in known]
    ax.vlines(x, 0, y, color=colour, linewidth=3.5 if marked else 1.6)
    spread = [(p.cell, p.low, p.high) for _, _, p in known if p.low is not None and p.high is not None]
    if spread:
        at, low, high = zip(*spread, strict=True)
        ax.vlines(at, low, high, color=colour, linewidth=0.9)
    size = 8 if marked else 6.5
    for marker, these in (
        ("v", [k for k in known if k[2].at_least and k[1] < 0]),
        ("^", [k for k in known if k[2].at_least and k[1] >= 0]),
        (PACK_MARKERS[pack % 4], [k for k in known if not k[2].at_least]),
    ):
        if these:
            ax.plot(
                [k[0] for k in these],
                [k[1] for k in these],
                marker=marker,
                color=colour,
                markersize=size,
                linestyle="none",
            )


@dataclass(frozen=True, slots=True)
class Trend:
    """One quantity through the days with its straight line.

    Attributes
    ----------
    days : tuple of str
    values : tuple of float
    weak : tuple of bool
        Values of less weight, drawn hollow.
    others : tuple of (str, float, float)
        Day, lowest and highest of the other cells: the grey band "all other cells".
    line : (str, float, str, float) or None
        First day, value, last day, value of the fitted line.
    since : str or None
        Day of onset.
    unit, name, others_name : str
    """

    days: tuple[str, ...]
    values: tuple[float, ...]
    unit: str
    name: str
    weak: tuple[bool, ...] = ()
    others: tuple[tuple[str, float, float], ...] = ()
    line: tuple[str, float, str, float] | None = None
    since: str | None = None
    others_name: str = "all other cells"


def trend(key: str, what: Trend, *, pack: int, least: float) -> str:
    """Draw one quantity through time, with the band of its peers and its line."""
    with canvas(key, 210) as figure:
        ax = axes(figure, top=34, left=44, right=12)
        what = _thinned(what)
        x = [ordinal(d) for d in what.days]
        spread = [v for _, a, b in what.others for v in (a, b)]
        ax.set_ylim(*nice_limits([0.0, *what.values, *spread], least=least))
        light_grid(ax)
        ax.axhline(0, color=MUTED, linewidth=0.9)
        if what.others:
            ox = [ordinal(d) for d, _, _ in what.others]
            ax.fill_between(
                ox, [a for _, a, _ in what.others], [b for _, _, b in what.others], color=SAND, linewidth=0
            )
            name_beside(ax, ox[0], what.others[0][2], what.others_name, dx=2, dy=9, color=MUTED)
        weak = what.weak or (False,) * len(x)
        _marks(ax, x, what.values, weak, pack)
        if what.line is not None:
            a, ya, b, yb = what.line
            ax.plot([ordinal(a), ordinal(b)], [ya, yb], color=INK, linewidth=1.4, linestyle=PACK_LINES[0])
        if what.since is not None and x and x[0] < ordinal(what.since) < x[-1]:
            ax.axvline(ordinal(what.since), color=MUTED, linewidth=1, linestyle=":")
            name_beside(
                ax,
                ordinal(what.since),
                ax.get_ylim()[0],
                f"since {short_day(what.since)}",
                dx=-5,
                dy=12,
                ha="right",
                color=MUTED,
            )
        if x:
            day_axis(ax, min(x), max(x))
        else:
            muted_note(ax, "no measurement in these days")
        unit_label(ax, what.unit)
        return svg(figure, key)


def _thinned(what: Trend) -> Trend:
    """A long series with the extremes of each stretch of days, so that the drawing stays light."""
    days = np.array([ordinal(d) for d in what.days], dtype=np.float64)
    keep = kept(days, np.array(what.values, dtype=np.float64), MARKS).tolist()
    if len(keep) == len(what.days):
        return what
    weak = tuple(what.weak[i] for i in keep) if what.weak else ()
    return replace(
        what, days=tuple(what.days[i] for i in keep), values=tuple(what.values[i] for i in keep), weak=weak
    )


def _marks(ax: Axes, x: Sequence[int], y: Sequence[float], weak: Sequence[bool], pack: int) -> None:
    colour, marker = PACK_COLOURS[pack % 4], PACK_MARKERS[pack % 4]
    for hollow in (True, False):
        these = [(a, b) for a, b, c in zip(x, y, weak, strict=True) if c is hollow]
        if these:
            face = "none" if hollow else colour
            size = 4.0 if hollow else 6.0
            ax.plot(
                *zip(*these, strict=True),
                marker=marker,
                color=colour,
                markerfacecolor=face,
                markersize=size,
                markeredgewidth=0.9,
                linestyle="none",
            )
