"""What was recorded, hour by hour."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from analysis.report.dates import WEEKDAYS
from analysis.report.scales import unit_label
from analysis.report.style import INK, PAPER, RED, SKY, axes, canvas, svg


@dataclass(frozen=True, slots=True)
class CoverDay:
    """A day's length and its holes, in hours from local midnight; None: nothing was recorded."""

    day: str
    hours: float
    gaps: tuple[tuple[float, float], ...] | None


def coverage_hours(key: str, days: Sequence[CoverDay]) -> str:
    """A bar for each day from midnight to midnight; holes are crossed out, so that they show in print."""
    with canvas(key, 44 + 22 * max(len(days), 1)) as figure:
        ax = axes(figure, top=22, bottom=22, left=54, right=10)
        unit_label(ax, "Hour of the day, local time")
        rows = range(len(days), 0, -1)
        for day, y in zip(days, rows, strict=True):
            holes = ((0.0, day.hours),) if day.gaps is None else day.gaps
            ax.barh([y], [day.hours], height=0.62, color=SKY, linewidth=0)
            for a, b in holes:
                ax.barh(
                    [y],
                    [max(b - a, 0.08)],
                    left=a,
                    height=0.62,
                    color=PAPER,
                    edgecolor=RED,
                    hatch="xxxx",
                    linewidth=0.9,
                )
        ax.set_xlim(0, max([24.0, *(d.hours for d in days)]))
        ax.set_ylim(0.4, len(days) + 0.6)
        ax.set_yticks(list(rows))
        names = [
            f"{WEEKDAYS[date.fromisoformat(d.day).weekday()]} {date.fromisoformat(d.day).day}" for d in days
        ]
        ax.set_yticklabels(names, fontsize=11, color=INK)
        ax.set_xticks([0, 6, 12, 18, 24])
        ax.tick_params(axis="y", length=0)
        ax.spines["left"].set_visible(False)
        return svg(figure, key)
