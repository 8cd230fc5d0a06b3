"""One quantity through the days, beside its peers and the level it should have."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.report.dates import ordinal, short_day
from analysis.report.scales import day_axis, light_grid, muted_note, name_beside, nice_limits, unit_label
from analysis.report.series import kept
from analysis.report.style import (
    INK,
    MUTED,
    PACK_COLOURS,
    PACK_LINES,
    PACK_MARKERS,
    SAND,
    axes,
    canvas,
    svg,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MARKS = 250
"""Of a longer series no more than twice as many marks are drawn; extremes stay."""


@dataclass(frozen=True, slots=True)
class Level:
    """A level to compare with, and its name: "copper alone"."""

    value: float
    name: str


@dataclass(frozen=True, slots=True)
class Trend:
    """One quantity through the days with its straight line.

    Attributes
    ----------
    days : tuple of str
    values : tuple of float
    unit : str
        What the axis shows, with its unit.
    weak : tuple of bool
        Values of less weight, drawn hollow.
    halves : tuple of float
        Half the 95 % interval of each value, drawn as a thin line; none if empty.
    others : tuple of (str, float, float)
        Day, lowest and highest of the peers: the grey band.
    others_name : str
    line : (str, float, str, float) or None
        First day, value, last day, value of the fitted line.
    level : Level or None
        Drawn across, dashed and named.
    since : str or None
        Day of onset.
    zero : bool
        Whether zero belongs on the axis.
    """

    days: tuple[str, ...]
    values: tuple[float, ...]
    unit: str
    weak: tuple[bool, ...] = ()
    halves: tuple[float, ...] = ()
    others: tuple[tuple[str, float, float], ...] = ()
    others_name: str = "all other cells"
    line: tuple[str, float, str, float] | None = None
    level: Level | None = None
    since: str | None = None
    zero: bool = True


def trend(key: str, what: Trend, *, pack: int, least: float) -> str:
    """Draw one quantity through time, with the band of its peers, its line and its level.

    Parameters
    ----------
    key : str
        Prefix of the ids in the drawing.
    what : Trend
    pack : int
        Index of the pack: picks colour and marker.
    least : float
        The axis never spans less. [unit of the quantity]
    """
    with canvas(key, 210) as figure:
        ax = axes(figure, top=34, left=44, right=12)
        what = _thinned(what)
        x = [ordinal(d) for d in what.days]
        ax.set_ylim(*_limits(what, least))
        light_grid(ax)
        if what.zero:
            ax.axhline(0, color=MUTED, linewidth=0.9)
        _band(ax, what)
        _marks(ax, x, what, pack)
        if what.line is not None:
            a, ya, b, yb = what.line
            ax.plot([ordinal(a), ordinal(b)], [ya, yb], color=INK, linewidth=1.4, linestyle=PACK_LINES[0])
        if x:
            day_axis(ax, min(x), max(x))
            _level(ax, what, min(x))
            _onset(ax, what, x)
        else:
            muted_note(ax, "no measurement in these days")
        unit_label(ax, what.unit)
        return svg(figure, key)


def _limits(what: Trend, least: float) -> tuple[float, float]:
    halves = what.halves or (0.0,) * len(what.values)
    shown = [v for _, a, b in what.others for v in (a, b)]
    shown += [v + sign * h for v, h in zip(what.values, halves, strict=True) for sign in (-1, 1)]
    if what.level is not None:
        shown.append(what.level.value)
    return nice_limits([*shown, 0.0] if what.zero else shown, least=least)


def _band(ax: Axes, what: Trend) -> None:
    if not what.others:
        return
    days = [ordinal(d) for d, _, _ in what.others]
    low, high = [a for _, a, _ in what.others], [b for _, _, b in what.others]
    ax.fill_between(days, low, high, color=SAND, linewidth=0)
    name_beside(ax, days[0], high[0], what.others_name, dx=2, dy=9, color=MUTED)


def _level(ax: Axes, what: Trend, first: int) -> None:
    if what.level is None:
        return
    ax.axhline(what.level.value, color=INK, linewidth=1.2, linestyle="--")
    over = sum(v > what.level.value for v in what.values) > len(what.values) / 2
    low, high = ax.get_ylim()
    place = (what.level.value - low) / (high - low)
    below = place > 0.85 or (over and place > 0.12)  # the name stands where the marks are not
    name_beside(ax, first, what.level.value, what.level.name, dx=2, dy=-9 if below else 9)


def _onset(ax: Axes, what: Trend, x: Sequence[int]) -> None:
    if what.since is None or not min(x) < ordinal(what.since) < max(x):
        return
    at = ordinal(what.since)
    late = at > (min(x) + max(x)) / 2
    ax.axvline(at, color=MUTED, linewidth=1, linestyle=":")
    name_beside(
        ax,
        at,
        ax.get_ylim()[0],
        f"since {short_day(what.since)}",
        dx=-5 if late else 5,
        dy=12,
        ha="right" if late else "left",
        color=MUTED,
    )


def _thinned(what: Trend) -> Trend:
    """A long series with the extremes of each stretch of days, so that the drawing stays light."""
    days = np.array([ordinal(d) for d in what.days], dtype=np.float64)
    keep = kept(days, np.array(what.values, dtype=np.float64), MARKS).tolist()
    if len(keep) == len(what.days):
        return what
    return replace(
        what,
        days=tuple(what.days[i] for i in keep),
        values=tuple(what.values[i] for i in keep),
        weak=tuple(what.weak[i] for i in keep) if what.weak else (),
        halves=tuple(what.halves[i] for i in keep) if what.halves else (),
    )


def _marks(ax: Axes, x: Sequence[int], what: Trend, pack: int) -> None:
    colour, marker = PACK_COLOURS[pack % 4], PACK_MARKERS[pack % 4]
    if what.halves:
        spread = list(zip(what.values, what.halves, strict=True))
        ax.vlines(x, [v - h for v, h in spread], [v + h for v, h in spread], color=colour, linewidth=0.9)
    weak = what.weak or (False,) * len(x)
    for hollow in (True, False):
        these = [(a, b) for a, b, c in zip(x, what.values, weak, strict=True) if c is hollow]
        if these:
            ax.plot(
                *zip(*these, strict=True),
                marker=marker,
                color=colour,
                markerfacecolor="none" if hollow else colour,
                markersize=4.0 if hollow else 6.0,
                markeredgewidth=0.9,
                linestyle="none",
            )
