"""The cold: temperatures day by day with the heater's hours, and the heater against the air."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.report.dates import ordinal
from analysis.report.numbers import plain
from analysis.report.scales import light_grid, muted_note, name_beside, nice_limits, span_axis, unit_label
from analysis.report.style import BLUE, INK, MUTED, PACK_COLOURS, PACK_MARKERS, SKY, axes, canvas, svg


@dataclass(frozen=True, slots=True)
class ColdDay:
    """One day of a pack in the cold; None where not measured.

    Attributes
    ----------
    coldest_c, warmest_c : float or None
        Of all cell sensors over the day. [°C]
    ambient_c : float or None
        Mean of the air. [°C]
    heater_h, heater_kwh : float or None
        Time on [h] and energy [kWh].
    """

    day: str
    coldest_c: float | None
    warmest_c: float | None
    ambient_c: float | None
    heater_h: float | None
    heater_kwh: float | None = None


def cold_days(key: str, days: Sequence[ColdDay], *, pack: int, fahrenheit: bool = False) -> str:
    """Temperature range of the cells each day and the air, above; hours of heating, below."""
    unit = "°F" if fahrenheit else "°C"
    with canvas(key, 290) as figure:
        ax = axes(figure, of=0.58, top=34, bottom=14)
        low = axes(figure, of=0.42, at=0.58, top=30, bottom=38)
        unit_label(ax, f"{unit}: bars cells, broken line air")
        unit_label(low, "hours a day with the heater on")
        colour = PACK_COLOURS[pack % 4]
        if not days:
            muted_note(ax, "nothing recorded in these days")
            return svg(figure, key)
        x = [ordinal(d.day) for d in days]
        values = [0.0]
        for d, at in zip(days, x, strict=True):
            if d.coldest_c is not None and d.warmest_c is not None:
                a, b = _shown(d.coldest_c, fahrenheit), _shown(d.warmest_c, fahrenheit)
                ax.bar([at], [max(b - a, 0.15)], bottom=a, width=0.45 if len(x) <= 10 else 0.9, color=colour)
                values += [d.coldest_c, d.warmest_c]
        air = [
            (at, _shown(d.ambient_c, fahrenheit))
            for d, at in zip(days, x, strict=True)
            if d.ambient_c is not None
        ]
        if air:
            ax.plot(
                *zip(*air, strict=True),
                color=INK,
                linewidth=1.4,
                linestyle="--",
                marker="." if len(x) <= 10 else None,
            )
            values += [d.ambient_c for d in days if d.ambient_c is not None]
        limits = nice_limits(values, least=8.0)
        ax.set_ylim(_shown(limits[0], fahrenheit), _shown(limits[1], fahrenheit))
        ax.axhline(_shown(0.0, fahrenheit), color=BLUE, linewidth=1)
        name_beside(
            ax,
            ax.get_xlim()[1],
            _shown(0.0, fahrenheit),
            "0 °C" if not fahrenheit else "32 °F",
            dx=-2,
            dy=-9,
            ha="right",
            color=BLUE,
        )
        hours = [d.heater_h or 0.0 for d in days]
        low.bar(
            x,
            hours,
            width=0.55 if len(x) <= 10 else 0.9,
            color=SKY,
            edgecolor=colour,
            linewidth=0.9,
            hatch="....",
        )
        low.set_ylim(0, max(4.0, max(hours) * 1.15))
        for each in (ax, low):
            light_grid(each)
        span_axis(low, x[0], x[-1])
        ax.set_xlim(low.get_xlim())
        ax.set_xticks([])
        return svg(figure, key)


def _shown(celsius: float, fahrenheit: bool) -> float:
    return celsius * 1.8 + 32 if fahrenheit else celsius


@dataclass(frozen=True, slots=True)
class HeaterLine:
    """Heater energy of a day: base [kWh], slope [kWh/K], and the air below which it rises. [°C]"""

    base_kwh: float
    slope_kwh_per_k: float
    turn_c: float


def heater_against_air(
    key: str, days: Sequence[ColdDay], line: HeaterLine | None, *, pack: int, design_c: float | None = None
) -> str:
    """A mark for each day, the fitted line, and what the line says for the design cold day."""
    with canvas(key, 200) as figure:
        ax = axes(figure, top=34, bottom=38, right=12)
        unit_label(ax, "kWh a day into the heater")
        pairs = [
            (d.ambient_c, d.heater_kwh) for d in days if d.ambient_c is not None and d.heater_kwh is not None
        ]
        if not pairs:
            muted_note(ax, "heater energy not measured")
            return svg(figure, key)
        xs, ys = [p[0] for p in pairs], [p[1] for p in pairs]
        ax.plot(
            xs,
            ys,
            marker=PACK_MARKERS[pack % 4],
            color=PACK_COLOURS[pack % 4],
            markersize=4.5,
            linestyle="none",
        )
        top = max(ys)
        if line is not None:
            cold = min([*xs, design_c] if design_c is not None else xs)
            points = [cold, min(max(line.turn_c, cold), max(xs)), max(xs)]
            heights = [line.base_kwh + line.slope_kwh_per_k * max(line.turn_c - p, 0) for p in points]
            ax.plot(points, heights, color=INK, linewidth=1.4)
            top = max(top, *heights)
            if design_c is not None:
                ax.plot([design_c], [heights[0]], marker="D", color=INK, markerfacecolor="none", markersize=8)
                name_beside(ax, design_c, heights[0], f"at {plain(design_c, 0)} °C", dx=10, dy=2)
        ax.set_ylim(0, max(0.5, top * 1.15))
        light_grid(ax)
        ax.set_xlabel("mean air of the day, °C", fontsize=12.5, labelpad=2, color=MUTED)
        return svg(figure, key)
