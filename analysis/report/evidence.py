"""The figures that show a finding: which one belongs to which kind."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from analysis.finding import Finding
from analysis.report.evidence_cells import resistance_figure, sense_lead_figure, temperature_figure
from analysis.report.evidence_packs import gain_figure, leads_figures, share_figure, zero_figure
from analysis.report.scope import Scope
from analysis.report.section_capacity import capacity_figure
from analysis.report.section_cells import DRIFTING, cell_trend
from analysis.report.section_cold import cold_figure
from analysis.report.section_coverage import coverage_figure
from analysis.report.value import Figure

if TYPE_CHECKING:
    from analysis.report.week import Longer


def evidence(scope: Scope, longer: Longer, finding: Finding) -> tuple[Figure, ...]:
    """The figures that show a finding; none where too little was measured to draw."""
    if finding.pack not in scope.names:
        return ()
    index = scope.names.index(finding.pack)
    history = scope.bank.packs[index]
    if finding.kind in DRIFTING and finding.cell is not None:
        made: Sequence[Figure | None] = (cell_trend(scope, finding),)
    elif finding.kind in {"cold_charging", "heater_fault"}:
        made = (again(cold_figure(scope, index, history, longer.cold[index])),)
    elif finding.kind == "capacity_fade":
        made = (again(capacity_figure(scope, index, history)),)
    elif finding.kind == "data_gap":
        made = (again(coverage_figure(scope, index, history)),)
    elif finding.kind == "lead_resistance":
        made = leads_figures(scope, index, finding)
    else:
        draw = {
            "high_resistance": resistance_figure,
            "loose_link": resistance_figure,
            "sense_lead": sense_lead_figure,
            "temperature_sensor": temperature_figure,
            "current_sensor": gain_figure if finding.unit == "1" else zero_figure,
            "uneven_sharing": share_figure,
        }.get(finding.kind)
        made = () if draw is None else (draw(scope, index, finding),)
    return tuple(figure for figure in made if figure is not None)


def again(figure: Figure) -> Figure:
    """The same drawing with ids of its own, to stand twice on a page."""
    key = f"found-{figure.key}"
    return replace(figure, key=key, svg=figure.svg.replace(f"{figure.key}-", f"{key}-"))
