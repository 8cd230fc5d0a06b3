"""Axes that read without a legend: days along the bottom, the unit above the axis, names beside the lines."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, Literal

from matplotlib.ticker import FuncFormatter, MaxNLocator

from analysis.report.dates import WEEKDAYS, short_day
from analysis.report.style import INK, MUTED, RULE

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def week_axis(ax: Axes, first: int, last: int) -> None:
    """Label every day of a week with its name and number."""
    days = range(first, last + 1)
    ax.set_xticks(list(days))
    ax.set_xticklabels(
        [f"{WEEKDAYS[date.fromordinal(d).weekday()]}\n{date.fromordinal(d).day}" for d in days]
    )
    ax.set_xlim(first - 0.6, last + 0.6)
    ax.tick_params(axis="x", length=0, pad=4)


def span_axis(ax: Axes, first: int, last: int) -> None:
    """A week's axis for up to ten days, else one with a few dates; room for bars at both ends."""
    if last - first < 10:
        week_axis(ax, first, last)
    else:
        day_axis(ax, first, last)
        ax.set_xlim(first - 0.6, last + 0.6)


def bar_step(days: Sequence[int]) -> int:
    """Days from one bar to the next: more than one only where all stand equally apart, as weeks do."""
    apart = {b - a for a, b in pairwise(days)}
    return apart.pop() if len(apart) == 1 and len(days) > 2 else 1


def day_axis(ax: Axes, first: int, last: int) -> None:
    """Label a span of days with at most five dates, on Mondays, months or years as the span asks."""
    span = max(last - first, 1)
    ticks = _ticks(first, last, span)
    years = span > 1100
    ax.set_xticks(ticks)
    labels = ax.set_xticklabels([str(date.fromordinal(t).year) if years else short_day(t) for t in ticks])
    if ticks and ticks[-1] > last - 0.05 * span:  # a date at the very end must not run out of the drawing
        labels[-1].set_horizontalalignment("right")
        labels[-1].set_visible(len(ticks) < 4)  # nor into the one before
    ax.set_xlim(first - 0.02 * span, last + 0.02 * span)
    ax.tick_params(axis="x", length=3)


def _ticks(first: int, last: int, span: int) -> list[int]:
    if span <= 10:
        step = max(1, math.ceil(span / 4))
        return list(range(first, last + 1, step))
    if span <= 70:
        monday = first + (-(date.fromordinal(first).weekday())) % 7
        step = 7 * max(1, math.ceil(span / 7 / 4))
        return list(range(monday, last + 1, step))
    months = []
    d = date.fromordinal(first).replace(day=1)
    while d.toordinal() <= last:
        if d.toordinal() >= first:
            months.append(d)
        d = (d + timedelta(days=32)).replace(day=1)
    if span > 1100:
        months = [m for m in months if m.month == 1]
    step = max(1, math.ceil(len(months) / 4))
    return [m.toordinal() for m in months[::step]]


def unit_label(ax: Axes, text: str) -> None:
    """Write the unit and the meaning above the axis, from its left edge: nothing is read sideways."""
    ax.annotate(
        text,
        (0, 1),
        xytext=(-38, 8),
        xycoords="axes fraction",
        textcoords="offset pixels",
        ha="left",
        va="bottom",
        fontsize=12.5,
        color=INK,
        annotation_clip=False,
    )


def calm(ax: Axes, axis: Literal["x", "y"] = "y", most: int = 4) -> None:
    """Few round numbers along an axis."""
    line = ax.yaxis if axis == "y" else ax.xaxis
    line.set_major_locator(MaxNLocator(nbins=most, steps=[1, 2, 5, 10]))
    line.set_major_formatter(FuncFormatter(lambda v, _: f"{v:g}".replace("-", "−")))


def light_grid(ax: Axes, axis: Literal["x", "y"] = "y") -> None:
    """Thin rules behind the marks."""
    calm(ax, axis)
    ax.grid(visible=True, axis=axis, color=RULE, linewidth=0.8)
    ax.set_axisbelow(True)


def name_beside(
    ax: Axes,
    x: float,
    y: float,
    text: str,
    *,
    dx: float = 6,
    dy: float = 0,
    ha: str = "left",
    color: str = INK,
) -> None:
    """Put a name beside a mark, with a paper halo so that lines under it do not disturb."""
    ax.annotate(
        text,
        (x, y),
        xytext=(dx, dy),
        textcoords="offset pixels",
        ha=ha,
        va="center",
        fontsize=12.5,
        color=color,
        annotation_clip=False,
    )


def nice_limits(values: Sequence[float], *, least: float, zero: bool = False) -> tuple[float, float]:
    """Limits around values, never tighter than `least`, so that noise is not blown up.

    >>> nice_limits([0.1, -0.1], least=1.0)
    (-0.5, 0.5)
    """
    low, high = (min(values), max(values)) if values else (0.0, 0.0)
    if zero:
        low, high = min(low, 0.0), max(high, 0.0)
    pad = 0.1 * (high - low)
    low, high = low - (pad if not zero or low < 0 else 0.0), high + pad
    if high - low < least:
        middle = (low + high) / 2
        if zero and low >= 0:
            return 0.0, least
        return middle - least / 2, middle + least / 2
    return low, high


def muted_note(ax: Axes, text: str) -> None:
    """A sentence in the middle of an empty panel."""
    ax.text(
        0.5,
        0.5,
        text,
        transform=ax.transAxes,
        ha="center",
        va="center",
        color=MUTED,
        fontsize=12.5,
        wrap=True,
    )
