"""Capacity through time, measured between sure points only."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.report.dates import ordinal
from analysis.report.scales import day_axis, light_grid, muted_note, name_beside, nice_limits, unit_label
from analysis.report.style import INK, MUTED, PACK_COLOURS, PACK_MARKERS, SAND, axes, canvas, svg


@dataclass(frozen=True, slots=True)
class CapacityPoint:
    """One measurement between two anchors. [Ah]"""

    day: str
    ah: float
    low: float | None = None
    high: float | None = None


def capacity_points(
    key: str,
    points: Sequence[CapacityPoint],
    *,
    pack: int,
    rated_ah: float,
    band: tuple[float, float] | None = None,
    floor_ah: float | None = None,
    span: tuple[str, str] | None = None,
) -> str:
    """Each measurement with its whisker, the present estimate as a band, the rated figure as a line.

    Parameters
    ----------
    band : (float, float) or None
        95 % interval of the present estimate. [Ah]
    floor_ah : float or None
        The capacity the user entered from the papers. [Ah]
    span : (str, str) or None
        First and last day of the axis.
    """
    with canvas(key, 210) as figure:
        ax = axes(figure, top=34, right=12)
        unit_label(ax, "Ah from full to empty")
        values = [v for p in points for v in (p.ah, p.low, p.high) if v is not None]
        known = [v for v in (*values, *(band or ()), rated_ah, floor_ah) if v is not None]
        ax.set_ylim(*nice_limits(known, least=0.1 * rated_ah))
        light_grid(ax)
        if band is not None:
            ax.axhspan(*band, color=SAND, linewidth=0)
        days = [ordinal(d) for d in (span or ())] or [ordinal(p.day) for p in points]
        first, last = (min(days), max(days)) if days else (0, 1)
        ax.axhline(rated_ah, color=MUTED, linewidth=1.2, linestyle="--")
        name_beside(ax, first, rated_ah, f"rated {rated_ah:g}", dx=2, dy=8, color=MUTED)
        if floor_ah is not None:
            ax.axhline(floor_ah, color=INK, linewidth=1.2, linestyle=":")
            name_beside(ax, first, floor_ah, "the figure you entered", dx=2, dy=8)
        colour = PACK_COLOURS[pack % 4]
        for p in points:
            at = ordinal(p.day)
            if p.low is not None and p.high is not None:
                ax.vlines(at, p.low, p.high, color=colour, linewidth=1)
            ax.plot([at], [p.ah], marker=PACK_MARKERS[pack % 4], color=colour, markersize=5)
        if not points:
            muted_note(ax, "no run between a full charge\nand a low knee yet")
        if days:
            day_axis(ax, first, last)
        else:
            ax.set_xticks([])
        return svg(figure, key)
