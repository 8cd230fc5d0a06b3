"""Small drawings of the page, written by hand: they must appear at once, also on a slow machine."""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import median

from analysis.report.numbers import plain
from logger.page.today import BUCKETS, Course

WIDTH, HEIGHT = 360.0, 150.0
LEFT, TOP, BOTTOM = 46.0, 10.0, 24.0


def curve(course: Course, *, least: float, decimals: int, pack: int, zero: bool = False) -> str:
    """A day's course from midnight to midnight as a filled line between lowest and highest.

    Parameters
    ----------
    course : Course
    least : float
        The axis never spans less. [unit of the course]
    decimals : int
        Of the numbers at the axis.
    pack : int
        Index of the pack: picks its colour by class.
    zero : bool
        Whether zero must be on the axis.
    """
    low, high = _limits([*course.low, *course.high], least, zero)
    grid = "".join(_rule(v, low, high, decimals) for v in _ticks(low, high))
    hours = "".join(_hour(h) for h in (0, 6, 12, 18, 24))
    shapes = "".join(_piece(piece, course, low, high, pack) for piece in _pieces(course.at))
    view = f"0 0 {WIDTH:g} {HEIGHT:g}"
    return f'<svg viewBox="{view}" class="curve" aria-hidden="true">{grid}{hours}{shapes}</svg>'


def cell_bars(cells: Sequence[float | None], pack: int) -> str:
    """Cells in order as bars from their middle: up is higher, down is lower. The scale follows the spread."""
    known = [v for v in cells if v is not None]
    if not known:
        return ""
    middle = median(known)
    reach = max([0.010, *(abs(v - middle) for v in known)])
    height, half = 84.0, 36.0
    step = WIDTH / len(cells)
    parts = [f'<line class="axis" x1="0" x2="{WIDTH:g}" y1="{height / 2:g}" y2="{height / 2:g}"/>']
    for i, v in enumerate(cells):
        if v is None:
            continue
        x = i * step + 0.18 * step
        size = max(abs(v - middle) / reach * half, 0.8)
        y = height / 2 - (size if v >= middle else 0)
        place = f'x="{x:.1f}" y="{y:.1f}" width="{0.64 * step:.1f}" height="{size:.1f}"'
        parts.append(f'<rect class="p{pack % 4}" {place}/>')
    return f'<svg viewBox="0 0 {WIDTH:g} {height:g}" class="bars" aria-hidden="true">{"".join(parts)}</svg>'


def _limits(values: list[float], least: float, zero: bool) -> tuple[float, float]:
    if zero or not values:
        values = [*values, 0.0]
    low, high = min(values), max(values)
    if high - low < least:
        middle = (low + high) / 2
        low, high = middle - least / 2, middle + least / 2
    return low, high


def _ticks(low: float, high: float) -> list[float]:
    raw = (high - low) / 5
    power = 10 ** math.floor(math.log10(raw))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= raw)
    first = math.ceil(low / step)
    return [i * step for i in range(first, math.floor(high / step) + 1)]


def _y(value: float, low: float, high: float) -> float:
    return TOP + (HEIGHT - TOP - BOTTOM) * (high - value) / (high - low)


def _x(at: float) -> float:
    return LEFT + (WIDTH - LEFT - 6) * at


def _rule(value: float, low: float, high: float, decimals: int) -> str:
    y = _y(value, low, high)
    kind = "axis" if abs(value) < 1e-9 else "grid"
    return (
        f'<line class="{kind}" x1="{LEFT:g}" x2="{WIDTH - 6:g}" y1="{y:.1f}" y2="{y:.1f}"/>'
        f'<text x="{LEFT - 5:g}" y="{y + 4.5:.1f}" text-anchor="end">{plain(value, decimals)}</text>'
    )


def _hour(hour: int) -> str:
    x = _x(hour / 24)
    anchor = "end" if hour == 24 else "middle"
    return f'<text x="{x:.1f}" y="{HEIGHT - 6:g}" text-anchor="{anchor}">{hour}</text>'


def _pieces(at: Sequence[float]) -> list[range]:
    """Stretches without a missing step."""
    pieces, start = [], 0
    for i in range(1, len(at) + 1):
        if i == len(at) or at[i] - at[i - 1] > 1.5 / BUCKETS:
            pieces.append(range(start, i))
            start = i
    return pieces


def _piece(piece: range, course: Course, low: float, high: float, pack: int) -> str:
    there = [f"{_x(course.at[i]):.1f},{_y(course.high[i], low, high):.1f}" for i in piece]
    back = [f"{_x(course.at[i]):.1f},{_y(course.low[i], low, high):.1f}" for i in reversed(piece)]
    return f'<polygon class="p{pack % 4}" points="{" ".join(there + back)}"/>'
