"""Energy in and out by day, where the loss went, and efficiency by window."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.report.dates import ordinal
from analysis.report.numbers import plain
from analysis.report.scales import (
    bar_step,
    calm,
    day_axis,
    light_grid,
    muted_note,
    name_beside,
    nice_limits,
    span_axis,
    unit_label,
)
from analysis.report.style import CLAY, INK, MUTED, PACK_COLOURS, PACK_MARKERS, SKY, axes, canvas, svg

_PALE = (SKY, CLAY, "#b9d3bd", "#cdbfe0")


@dataclass(frozen=True, slots=True)
class EnergyDay:
    """One day's energy. [kWh]; `covered` is the recorded share of the day, 0–1."""

    day: str
    in_kwh: float
    out_kwh: float
    covered: float = 1.0


def energy_top(days: Sequence[EnergyDay]) -> float:
    """Top of an axis that holds all these days. [kWh]"""
    known = [v for d in days for v in (d.in_kwh, d.out_kwh) if math.isfinite(v)]
    return nice_limits(known or [0.0], least=1.0, zero=True)[1]


def daily_energy(
    key: str, days: Sequence[EnergyDay], *, pack: int, top: float | None = None, calendar: Sequence[str] = ()
) -> str:
    """Bars for each day: plain bar in, hatched bar out; a star marks a day with less than 95 % recorded.

    Parameters
    ----------
    top : float or None
        Common top of the axis for several packs. [kWh]
    calendar : sequence of str
        Every day of the axis, recorded or not; the days themselves if empty.
    """
    with canvas(key, 210) as figure:
        ax = axes(figure, top=34, bottom=38)
        unit_label(ax, "kWh: left in (plain), right out (striped)")
        days = [d for d in days if math.isfinite(d.in_kwh) and math.isfinite(d.out_kwh)]
        if not days:
            muted_note(ax, "nothing recorded in these days")
            return svg(figure, key)
        firsts = [ordinal(d.day) for d in days]
        colour, step = PACK_COLOURS[pack % 4], bar_step(firsts)
        x = [a + (step - 1) / 2 for a in firsts]
        ax.bar([a - 0.2 * step for a in x], [d.in_kwh for d in days], width=0.38 * step, color=colour)
        ax.bar(
            [a + 0.2 * step for a in x],
            [d.out_kwh for d in days],
            width=0.38 * step,
            color=_PALE[pack % 4],
            edgecolor=colour,
            hatch="////",
            linewidth=0.9,
        )
        limit = top or energy_top(days)
        ax.set_ylim(0, limit)
        for day, at in zip(days, x, strict=True):
            if day.covered < 0.95:
                name_beside(ax, at, max(day.in_kwh, day.out_kwh), "*", dx=0, dy=8, ha="center")
        light_grid(ax)
        ends = [ordinal(d) for d in (calendar or [d.day for d in days])]
        span_axis(ax, ends[0], max(ends[-1], firsts[-1] + step - 1))
        return svg(figure, key)


@dataclass(frozen=True, slots=True)
class Part:
    """One part of the loss: name, size and interval. [kWh]"""

    name: str
    kwh: float | None
    low: float | None = None
    high: float | None = None


def loss_parts(key: str, parts: Sequence[Part], *, pack: int) -> str:
    """A bar for each part of the loss, its name above and its number beside it."""
    known = [p for p in parts if p.kwh is not None]
    with canvas(key, 26 + 44 * max(len(known), 1)) as figure:
        ax = axes(figure, top=8, bottom=20, left=8, right=82)
        if not known:
            muted_note(ax, "cannot be told for these days")
            ax.axis("off")
            return svg(figure, key)
        colour = PACK_COLOURS[pack % 4]
        values = [p.kwh or 0.0 for p in known]
        ends = [v for p in known for v in (p.low, p.high) if v is not None]
        low, high = nice_limits([*values, *ends], least=0.1, zero=True)
        y = list(range(len(known), 0, -1))
        ax.set_xlim(low, high)
        ax.set_ylim(0.4, len(known) + 0.75)
        ax.barh(y, values, height=0.34, color=_PALE[pack % 4], edgecolor=colour, linewidth=1)
        for part, at in zip(known, y, strict=True):
            value = part.kwh or 0.0
            if part.low is not None and part.high is not None:
                ax.plot([part.low, part.high], [at, at], color=INK, linewidth=1.2, marker="|", markersize=7)
            ax.annotate(
                part.name, (low, at), xytext=(0, 15), textcoords="offset pixels", va="center", fontsize=12.5
            )
            name_beside(ax, max(value, part.high or value, 0), at, f"{plain(value, 2)} kWh", dx=7)
        ax.vlines([0] * len(y), [a - 0.2 for a in y], [a + 0.2 for a in y], color=MUTED, linewidth=0.9)
        ax.set_yticks([])
        ax.spines["left"].set_visible(False)
        ax.tick_params(axis="x", labelsize=11.5)
        calm(ax, "x")
        return svg(figure, key)


@dataclass(frozen=True, slots=True)
class Span:
    """One window between two equal anchors: dates, a value and its interval, in per cent."""

    first: str
    last: str
    value: float
    low: float | None
    high: float | None


def efficiency_windows(key: str, spans: Sequence[Span], *, pack: int) -> str:
    """Efficiency of each window at its middle day, a thin bar for its length, a whisker for its interval."""
    with canvas(key, 190) as figure:
        ax = axes(figure, top=34, right=12)
        unit_label(ax, "% of what went in came out again")
        if not spans:
            muted_note(ax, "no window between two equal\nstates of charge yet")
            ax.set_yticks([])
            ax.set_xticks([])
            return svg(figure, key)
        colour = PACK_COLOURS[pack % 4]
        ends = [(ordinal(s.first), ordinal(s.last)) for s in spans]
        middles = [(a + b) / 2 for a, b in ends]
        values = [s.value for s in spans]
        ax.hlines(values, [a for a, _ in ends], [b for _, b in ends], color=colour, linewidth=1.2)
        spread = [(m, s.low, s.high) for m, s in zip(middles, spans, strict=True) if s.low is not None]
        if spread:
            at, lows, highs = zip(*spread, strict=True)
            ax.vlines(at, lows, highs, color=colour, linewidth=1)
        ax.plot(middles, values, marker=PACK_MARKERS[pack % 4], color=colour, markersize=6, linestyle="none")
        low, high = nice_limits([s.value for s in spans], least=6.0)
        ax.set_ylim(low, max(high, low + 6.0))
        light_grid(ax)
        day_axis(ax, ordinal(spans[0].first), ordinal(spans[-1].last))
        return svg(figure, key)
