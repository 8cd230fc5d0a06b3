"""Every kind of finding has its figure: unit, days and source named, and the level to compare with."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from analysis.finding import KINDS, Finding, Kind
from analysis.health import health
from analysis.history import Bank
from analysis.packs.witness import LeadPoint
from analysis.report.evidence import evidence
from analysis.report.scope import Scope
from analysis.report.value import Figure
from analysis.report.week import look_back

CELL_KINDS = {
    "static_offset", "self_discharge", "low_capacity", "high_resistance", "loose_link", "sense_lead",
    "balancing_behind", "temperature_sensor",
}  # fmt: skip
UNIT_ON_AXIS = {
    "static_offset": "Ah", "self_discharge": "Ah", "low_capacity": "Ah", "balancing_behind": "Ah",
    "high_resistance": "mΩ", "loose_link": "mΩ", "sense_lead": "mV", "temperature_sensor": "°C",
    "current_sensor": "A ", "uneven_sharing": "%", "lead_resistance": "mΩ", "heater_fault": "°C",
    "cold_charging": "°C", "capacity_fade": "Ah", "data_gap": "Hour",
}  # fmt: skip


@pytest.fixture(scope="module")
def scope(bank: Bank) -> Scope:
    now = health(bank)
    return Scope(bank, now, (), now.first, now.last)


def finding(kind: Kind, *, pack: str = "B", unit: str = "", value: float | None = 1.0) -> Finding:
    cell = 3 if kind in CELL_KINDS else None
    return Finding(kind, pack, cell, "2026-01-09", "watch", 0.9, value, None, None, unit, "Means.", "Check.")


def texts(figure: Figure) -> list[str]:
    return re.findall(r"<text[^>]*>([^<]*)</text>", figure.svg)


@pytest.mark.parametrize("kind", KINDS)
def test_each_kind_has_a_figure_that_names_unit_days_and_source(scope: Scope, kind: Kind) -> None:
    drawn = evidence(scope, look_back(scope), finding(kind))
    assert drawn
    for figure in drawn:
        assert figure.window
        assert figure.source or kind == "capacity_fade"
        assert any(UNIT_ON_AXIS[kind] in text for text in texts(figure)), texts(figure)
        assert f"pack {'B'}" in figure.title.lower().replace("pack b", "pack B")


def test_a_gain_is_shown_beside_the_witness(scope: Scope) -> None:
    (figure,) = evidence(scope, look_back(scope), finding("current_sensor", unit="1", value=1.05))
    assert "% of what hall measures" in texts(figure)
    assert "both alike" in texts(figure)


def test_a_share_is_shown_beside_the_fair_one(scope: Scope) -> None:
    """Two packs of one size: each should carry half."""
    (figure,) = evidence(scope, look_back(scope), finding("uneven_sharing", unit="1", value=0.4))
    assert "fair for its size: 50" in figure.alt


def test_leads_are_drawn_by_week_with_the_copper_and_turn_with_the_pack(scope: Scope) -> None:
    weeks = tuple(LeadPoint(f"2026-01-{d:02d}", 1e-3 * d, 1e-4) for d in (7, 14, 21))
    lead = replace(scope.health.sharing.leads[0], first="A", second="B", weeks=weeks)
    seen = tuple(replace(w, weeks=weeks) for w in scope.health.witness)
    health_ = replace(scope.health, sharing=replace(scope.health.sharing, leads=(lead,)), witness=seen)
    told = replace(scope, health=health_)
    of_a = evidence(told, look_back(scope), finding("lead_resistance", pack="A"))
    of_b = evidence(told, look_back(scope), finding("lead_resistance", pack="B"))
    assert [f.title for f in of_b] == [
        "Resistance between pack B and hall",
        "Lead of pack B less that of pack A",
    ]
    assert "14.00 in the middle" in of_a[1].alt
    assert "−14.00 in the middle" in of_b[1].alt


def test_a_finding_about_the_whole_bank_or_an_unknown_cell_has_none(scope: Scope) -> None:
    longer = look_back(scope)
    assert evidence(scope, longer, replace(finding("data_gap"), pack="bank")) == ()
    assert evidence(scope, longer, replace(finding("high_resistance"), cell=40)) == ()
    assert evidence(scope, longer, replace(finding("sense_lead"), cell=40)) == ()
