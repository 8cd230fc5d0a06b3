"""The cells in order with their place at both ends, and one cell through time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from analysis.cells.imbalance import CellImbalance, Imbalance
from analysis.estimate import Estimate, unknown
from analysis.finding import Finding
from analysis.report.dates import long_day, ordinal, span_text
from analysis.report.figures_cells import CellPoint, Strip, cell_strip, strip_limits
from analysis.report.figures_trend import Trend, trend
from analysis.report.numbers import plain, say
from analysis.report.scope import Scope, together
from analysis.report.value import Block, Figure, Gallery, Numbers, Row, Section, Statement

LEAST_AH = 2.0
"""The axis of a strip never spans less, so that ordinary scatter looks ordinary. [Ah]"""
VAGUE_AH = 4.0
"""Points vaguer than this (standard deviation) are not drawn. [Ah]"""
CELL_KINDS = {
    "static_offset",
    "self_discharge",
    "low_capacity",
    "high_resistance",
    "loose_link",
    "sense_lead",
}
DRIFTING = {"static_offset", "self_discharge", "low_capacity", "balancing_behind"}
ENDS = (("top", "Top of charge: ahead (+), behind (−)"), ("bottom", "Near empty"))

Pick = Callable[[CellImbalance], Estimate]


def cells_section(scope: Scope) -> Section:
    """All cells in words, as strips, and as numbers."""
    blocks: list[Block] = [*together(_words(p.name, p.imbalance) for p in scope.health.packs)]
    blocks += [strips(scope), _extremes(scope)]
    return Section("cells", "Cells", tuple(blocks))


def every_cell_section(scope: Scope) -> Section:
    """The number of every cell: long, so it stands at the end and folded."""
    blocks: list[Block] = []
    for key, label, pick in (
        ("top", "Behind at the top of charge", lambda c: c.top),
        ("bottom", "Behind near empty", lambda c: c.bottom),
        ("leak", "Charge lost beyond the middle cell", lambda c: c.leak),
    ):
        blocks.append(_every_cell(scope, key, label, pick))
    return Section("every-cell", "Every cell", tuple(blocks))


def behind(e: Estimate) -> Estimate:
    """The same place counted the way it is drawn: ahead is positive, behind negative."""
    return replace(
        e,
        value=None if e.value is None else -e.value,
        low=None if e.high is None else -e.high,
        high=None if e.low is None else -e.low,
    )


def _words(name: str, found: Imbalance) -> Statement:
    label = f"Pack {name}"
    cell = _worst(found, lambda c: c.top)
    if cell is None:
        return Statement(f"{found.basis[:1].upper()}{found.basis[1:]}.", "unknown", label)
    e = cell.top
    if e.low is not None and e.high is not None and e.low <= 0 <= e.high:
        text = "No cell stands apart at the top of charge beyond what can be told."
        return Statement(text, "plain", label)
    value = e.value or 0.0
    where = "behind" if value > 0 else "ahead of"
    text = f"Cell {cell.cell} stands furthest apart at the top: {say(_size(e))} {where} the middle cell."
    return Statement(text, "plain", label)


def _size(e: Estimate) -> Estimate:
    return e if (e.value or 0.0) >= 0 else behind(e)


def fastest_drift(found: Imbalance) -> Estimate:
    """Of the cell that drifts fastest, balancing taken out. [mA]"""
    cell = _worst(found, lambda c: c.leak)
    return unknown("mA", _reason(found, lambda c: c.leak)) if cell is None else cell.leak


def _worst(found: Imbalance, pick: Pick) -> CellImbalance | None:
    known = [c for c in found.cells if pick(c).value is not None]
    return max(known, key=lambda c: abs(pick(c).value or 0.0), default=None)


def marked_cells(scope: Scope, pack: str) -> frozenset[int]:
    """Cells of a pack that a finding names."""
    return frozenset(
        f.cell for f in scope.findings if f.pack == pack and f.cell is not None and f.kind in CELL_KINDS
    )


def strips(scope: Scope) -> Gallery:
    """One strip figure a pack, with common scales."""
    drawn = {
        p.name: [_strip(p.imbalance, end, title) for end, title in ENDS if _known(p.imbalance, end)]
        for p in scope.health.packs
    }
    common = {title: strip_limits(s) for _, title in ENDS if (s := _titled(drawn, title))}
    figures = []
    for i, p in enumerate(scope.health.packs):
        own = [replace(s, limits=common[s.title]) for s in drawn[p.name]]
        figures.append(_strip_figure(scope, i, p.name, p.imbalance, own))
    return Gallery(tuple(figures))


def _titled(drawn: dict[str, list[Strip]], title: str) -> list[Strip]:
    return [s for own in drawn.values() for s in own if s.title == title]


def _known(found: Imbalance, end: str) -> bool:
    return any(getattr(c, end).value is not None for c in found.cells)


def _strip(found: Imbalance, end: str, title: str) -> Strip:
    points = []
    for c in found.cells:
        e = behind(getattr(c, end))
        points.append(CellPoint(c.cell, e.value, e.low, e.high))
    return Strip(title, "Ah", tuple(points), LEAST_AH)


def _strip_figure(scope: Scope, index: int, name: str, found: Imbalance, own: list[Strip]) -> Figure:
    key = f"cells-{index}"
    marked = marked_cells(scope, name)
    named = "; ".join(f"cell {c.cell} is {say(_size(c.top))} off" for c in found.cells if c.cell in marked)
    title = f"Pack {name}: the cells in order"
    empty = [Strip(ENDS[0][1], "Ah", (CellPoint(1, None),), LEAST_AH)]
    return Figure(
        key,
        cell_strip(key, own or empty, pack=scope.look(index), marked=marked),
        title,
        f"{title}. {named or 'No cell is marked.'}",
        f"State at the end of {long_day(scope.last)}",
        "Thin lines: 95\u202f% intervals" if own else "",
    )


def _extremes(scope: Scope) -> Numbers:
    def row(key: str, label: str, pick: Pick) -> Row:
        values, named = [], []
        for p in scope.health.packs:
            cell = _worst(p.imbalance, pick)
            if cell is None:
                values.append(unknown("mA" if key == "worst_leak" else "Ah", _reason(p.imbalance, pick)))
            else:
                values.append(pick(cell))
                named.append(f"cell {cell.cell} of pack {p.name}")
        note = f"{named[0][:1].upper()}{', '.join(named)[1:]}." if named else ""
        return Row(key, label, tuple(values), note)

    rows = (
        row("worst_top", "Furthest from the middle cell at the top (+ = behind)", lambda c: c.top),
        row("worst_leak", "Fastest drift, balancing taken out (+ = losing)", lambda c: c.leak),
        row("worst_deficit", "Largest difference in capacity (+ = smaller)", lambda c: c.deficit),
    )
    return Numbers(scope.names, rows)


def _reason(found: Imbalance, pick: Pick) -> str:
    return pick(found.cells[0]).reason if found.cells else found.basis


def _every_cell(scope: Scope, key: str, label: str, pick: Pick) -> Numbers:
    most = max((len(p.imbalance.cells) for p in scope.health.packs), default=0)
    rows = []
    for k in range(most):
        values = tuple(
            pick(p.imbalance.cells[k]) if k < len(p.imbalance.cells) else unknown("", "no such cell")
            for p in scope.health.packs
        )
        rows.append(Row(f"{key}.{k + 1:02d}", f"Cell {k + 1}", values))
    return Numbers(scope.names, tuple(rows), f"{label}, every cell", folded=True)


def cell_trend(scope: Scope, finding: Finding) -> Figure | None:
    """One cell's offset through the days, with the band of the others and its line; None without points."""
    index = scope.names.index(finding.pack)
    found = scope.health.packs[index].imbalance
    cell = next((c for c in found.cells if c.cell == finding.cell), None)
    if cell is None:
        return None
    points = [p for p in cell.series if p.sigma_ah < VAGUE_AH]
    if len(points) < 2:
        return None
    key = f"trend-{index}-{cell.cell}"
    what = Trend(
        days=tuple(p.day for p in points),
        values=tuple(-p.offset_ah for p in points),
        unit="Ah ahead (+) or behind (−)",
        weak=tuple(p.where == "middle" for p in points),
        others=_others(found, cell.cell),
        line=_line(cell, points[0].day, points[-1].day),
        since=cell.since,
    )
    days = span_text(points[0].day, points[-1].day)
    title = f"Cell {cell.cell} of pack {finding.pack} against the others"
    now = say(_size(cell.top))
    return Figure(
        key,
        trend(key, what, pack=scope.look(index), least=LEAST_AH),
        title,
        f"{title}: {now} {'behind' if (cell.top.value or 0) > 0 else 'ahead'} at the end.",
        days,
        f"{plain(len(points), 0)} comparisons with the middle cell. Full marks: at the top or near empty. "
        "Hollow: in between, where they lean towards 0; the fitted line allows for that",
    )


def _others(found: Imbalance, cell: int) -> tuple[tuple[str, float, float], ...]:
    by_day: dict[str, list[float]] = {}
    for other in found.cells:
        if other.cell != cell:
            for p in other.series:
                if p.sigma_ah < VAGUE_AH:
                    by_day.setdefault(p.day, []).append(-p.offset_ah)
    return tuple((day, min(v), max(v)) for day, v in sorted(by_day.items()))


def _line(cell: CellImbalance, first: str, last: str) -> tuple[str, float, str, float] | None:
    if cell.net is None:
        return None
    start = max(cell.since or first, first)
    end = -cell.net.offset_ah.value
    days = ordinal(last) - ordinal(start)
    return start, end + cell.net.slope_ah_day.value * days, last, end
