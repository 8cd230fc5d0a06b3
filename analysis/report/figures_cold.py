"""The cold: temperatures day by day with the heater's hours, and the heater against the air."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.report.dates import ordinal
from analysis.report.numbers import Units, temperature_text
from analysis.report.scales import (
    bar_step,
    light_grid,
    muted_note,
    name_beside,
    nice_limits,
    span_axis,
    unit_label,
)
from analysis.report.style import BLUE, INK, MUTED, PACK_COLOURS, PACK_MARKERS, SKY, axes, canvas, svg

if TYPE_CHECKING:
    from matplotlib.axes import Axes


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
    with canvas(key, 290) as figure:
        ax = axes(figure, of=0.58, top=34, bottom=14, right=44)
        low = axes(figure, of=0.42, at=0.58, top=30, bottom=38, right=44)
        unit_label(ax, f"{'°F' if fahrenheit else '°C'}: bars cells, broken line air")
        unit_label(low, "hours a day with the heater on")
        if not days:
            muted_note(ax, "nothing recorded in these days")
            return svg(figure, key)
        firsts = [ordinal(d.day) for d in days]
        step = bar_step(firsts)
        x = [a + (step - 1) / 2 for a in firsts]
        _temperatures(ax, x, days, pack, step, fahrenheit)
        hours = [d.heater_h or 0.0 for d in days]
        width = 0.55 if len(x) <= 10 and step == 1 else 0.9 * step
        edge = PACK_COLOURS[pack % 4]
        low.bar(x, hours, width=width, color=SKY, edgecolor=edge, linewidth=0.9, hatch="....")
        low.set_ylim(0, max([4.0, *(1.15 * h for h in hours)]))
        for each in (ax, low):
            light_grid(each)
        span_axis(low, firsts[0], firsts[-1] + step - 1)
        ax.set_xlim(low.get_xlim())
        ax.set_xticks([])
        return svg(figure, key)


def _temperatures(
    ax: Axes, x: Sequence[float], days: Sequence[ColdDay], pack: int, step: int, fahrenheit: bool
) -> None:
    few = len(x) <= 10 and step == 1
    cells = [
        (at, _shown(d.coldest_c, fahrenheit), _shown(d.warmest_c, fahrenheit))
        for d, at in zip(days, x, strict=True)
        if d.coldest_c is not None and d.warmest_c is not None
    ]
    if cells:
        heights = [max(b - a, 0.15) for _, a, b in cells]
        width = 0.45 if few else 0.9 * step
        ax.bar(
            [c[0] for c in cells],
            heights,
            bottom=[c[1] for c in cells],
            width=width,
            color=PACK_COLOURS[pack % 4],
        )
    air = [(at, d.ambient_c) for d, at in zip(days, x, strict=True) if d.ambient_c is not None]
    if air:
        drawn = [_shown(t, fahrenheit) for _, t in air]
        marker = "." if few else None
        ax.plot([at for at, _ in air], drawn, color=INK, linewidth=1.4, linestyle="--", marker=marker)
    known = [v for d in days for v in (d.coldest_c, d.warmest_c, d.ambient_c) if v is not None]
    limits = nice_limits([0.0, *known], least=8.0)
    ax.set_ylim(_shown(limits[0], fahrenheit), _shown(limits[1], fahrenheit))
    freezing = _shown(0.0, fahrenheit)
    ax.axhline(freezing, color=BLUE, linewidth=1)
    name = temperature_text(0.0, _units(fahrenheit))
    ax.annotate(
        name,
        (1, freezing),
        xytext=(5, 0),
        xycoords=("axes fraction", "data"),
        textcoords="offset pixels",
        ha="left",
        annotation_clip=False,
        va="center",
        fontsize=12.5,
        color=BLUE,
    )


def _units(fahrenheit: bool) -> Units:
    return Units("°F" if fahrenheit else "°C")


def _shown(celsius: float, fahrenheit: bool) -> float:
    return celsius * 1.8 + 32 if fahrenheit else celsius


@dataclass(frozen=True, slots=True)
class HeaterLine:
    """Heater energy of a day: base [kWh], slope [kWh/K], and the air below which it rises. [°C]"""

    base_kwh: float
    slope_kwh_per_k: float
    turn_c: float


def heater_against_air(
    key: str,
    days: Sequence[ColdDay],
    line: HeaterLine | None,
    *,
    pack: int,
    design_c: float | None = None,
    fahrenheit: bool = False,
) -> str:
    """A mark for each day, the fitted line, and what the line says for the design cold day."""
    units = _units(fahrenheit)
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
            [_shown(x, fahrenheit) for x in xs],
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
            ax.plot([_shown(p, fahrenheit) for p in points], heights, color=INK, linewidth=1.4)
            top = max(top, *heights)
            if design_c is not None:
                at = [_shown(design_c, fahrenheit)]
                ax.plot(at, heights[:1], marker="D", color=INK, markerfacecolor="none", markersize=8)
                name_beside(
                    ax,
                    _shown(design_c, fahrenheit),
                    heights[0],
                    f"at {temperature_text(design_c, units)}",
                    dx=10,
                    dy=2,
                )
        ax.set_ylim(0, max(0.5, top * 1.15))
        light_grid(ax)
        ax.set_xlabel(f"mean air of the day, {units.temperature}", fontsize=12.5, labelpad=2, color=MUTED)
        return svg(figure, key)
