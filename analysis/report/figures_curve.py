"""Voltage of the middle cell without load over the charge below full, put together from everyday use."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from analysis.estimate import Estimate
from analysis.report.scales import calm, light_grid, muted_note, name_beside, nice_limits, unit_label
from analysis.report.style import INK, MUTED, PACK_COLOURS, SAND, axes, canvas, svg

Line = tuple[str, Sequence[float], Sequence[float]]
FLAT_V = (3.2, 3.36)
"""The axis shows the plateaus; the knees would hide their steps. [V]"""


def open_curve(key: str, lines: Sequence[Line], *, pack: int, step: Estimate) -> str:
    """Draw the mean curves of both directions, and the upper step with its interval.

    Parameters
    ----------
    key : str
        Unique on the page.
    lines : sequence of (direction, charge below full [Ah], voltage [V])
    pack : int
        Number of the pack, for its colour.
    step : Estimate
        Charge between full and the upper step. [Ah]
    """
    with canvas(key, 210) as figure:
        ax = axes(figure, top=34, right=12, bottom=44)
        unit_label(ax, "V of the middle cell")
        kept = [
            (way, [(q, v) for q, v in zip(below, volts, strict=True) if FLAT_V[0] <= v <= FLAT_V[1]])
            for way, below, volts in lines
        ]
        drawn = [(way, points) for way, points in kept if points]
        values = [v for _, points in drawn for _, v in points]
        ax.set_ylim(*nice_limits(values or FLAT_V, least=0.04))
        light_grid(ax)
        if step.low is not None and step.high is not None:
            ax.axvspan(step.low, step.high, color=SAND, linewidth=0)
        for way, points in drawn:
            style = "-" if way == "discharge" else "--"
            charge, volts = zip(*_split(points), strict=True)
            ax.plot(charge, volts, style, color=PACK_COLOURS[pack % 4], linewidth=1.6)
            at = points[len(points) * 2 // 3]  # charge lies above discharge: so do the names
            above = way == "charge"
            name_beside(
                ax,
                *at,
                way,
                dx=4 if above else -6,
                dy=14 if above else -12,
                ha="left" if above else "right",
                color=MUTED,
            )
        if step.value is not None:
            ax.axvline(step.value, color=INK, linewidth=1, linestyle=":")
        if drawn:
            ax.set_xlim(0, max(q for _, points in drawn for q, _ in points) * 1.04)
            ax.set_xlabel("Ah below full", fontsize=12.5, labelpad=2)
            calm(ax, "x", 5)
        else:
            muted_note(ax, "no calm hours beside a full charge yet")
            ax.set_xticks([])
        return svg(figure, key)


def _split(points: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Points with a break wherever the curve has a hole."""
    steps = sorted(b[0] - a[0] for a, b in pairwise(points))
    usual = steps[len(steps) // 2] if steps else 0.0
    out = list(points[:1])
    for before, after in pairwise(points):
        if after[0] - before[0] > 2.5 * usual:
            out.append((before[0], float("nan")))
        out.append(after)
    return out
