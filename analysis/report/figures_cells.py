"""Cells in order with their place at the knees."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.report.scales import light_grid, muted_note, name_beside, nice_limits, unit_label
from analysis.report.style import MUTED, PACK_COLOURS, PACK_MARKERS, RED, axes, canvas, svg

if TYPE_CHECKING:
    from matplotlib.axes import Axes


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
