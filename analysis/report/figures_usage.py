"""How a pack was used: time or cycles in each range of something."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.report.numbers import plain
from analysis.report.scales import light_grid, muted_note, unit_label
from analysis.report.style import PACK_COLOURS, RED, axes, canvas, svg


@dataclass(frozen=True, slots=True)
class Range:
    """One range with what fell into it; an open end is None.

    Attributes
    ----------
    low, high : float or None
    amount : float
        In the unit of the axis.
    outside : bool
        Whether the range lies outside a limit the user entered.
    """

    low: float | None
    high: float | None
    amount: float
    outside: bool = False


def ranges(key: str, parts: Sequence[Range], *, pack: int, unit: str, of: str, decimals: int = 0) -> str:
    """Draw a bar for each range; those outside a limit are red and crossed.

    Parameters
    ----------
    key : str
    parts : sequence of Range
        In order.
    pack : int
        Index of the pack.
    unit : str
        Above the axis: what the bars measure.
    of : str
        Below the axis: what the ranges are of.
    decimals : int
        Of the edges.
    """
    used = _trimmed(parts)
    with canvas(key, 200) as figure:
        ax = axes(figure, top=34, bottom=42)
        unit_label(ax, unit)
        if not used:
            muted_note(ax, "nothing recorded")
            return svg(figure, key)
        for i, part in enumerate(used):
            colour = "none" if part.outside else PACK_COLOURS[pack % 4]
            edge, hatch = (RED, "xxxx") if part.outside else ("none", "")
            ax.bar([i], [part.amount], width=0.92, facecolor=colour, edgecolor=edge, hatch=hatch)
        ax.set_ylim(0, max(p.amount for p in used) * 1.1 or 1.0)
        light_grid(ax)
        edges = [p.low for p in used] + [used[-1].high]
        step = math.ceil(len(edges) / (4 if decimals else 7))
        shown = [(i - 0.5, plain(e, decimals)) for i, e in enumerate(edges) if e is not None]
        ax.set_xticks([x for x, _ in shown][::step])
        ax.set_xticklabels([t for _, t in shown][::step])
        ax.set_xlim(-0.7, len(used) - 0.3)
        ax.set_xlabel(of, fontsize=12.5, labelpad=2)
        return svg(figure, key)


def _trimmed(parts: Sequence[Range]) -> list[Range]:
    """Without the empty ranges at both ends."""
    filled = [i for i, p in enumerate(parts) if p.amount > 0]
    return list(parts[filled[0] : filled[-1] + 1]) if filled else []
