"""The numbers that are drawn: read back from the drawings."""

from __future__ import annotations

import re

import pytest

from analysis.report import (
    figures_capacity,
    figures_cells,
    figures_cold,
    figures_coverage,
    figures_energy,
    figures_usage,
    scales,
)
from analysis.report.figures_cells import CellPoint, Strip
from analysis.report.figures_coverage import CoverDay
from analysis.report.figures_energy import EnergyDay
from analysis.report.style import BLUE, RED

DAYS = [f"2026-01-{d:02d}" for d in range(12, 19)]


def texts(svg: str) -> list[str]:
    return re.findall(r"<text[^>]*>([^<]*)</text>", svg)


def bars(svg: str, colour: str) -> list[float]:
    """Heights of the filled rectangles of a colour, in drawing units."""
    paths = re.findall(rf'<path d="([^"]*)"[^>]*fill="{colour}"', svg)
    heights = []
    for path in paths:
        ys = [float(y) for y in re.findall(r"[ML] -?[\d.]+ (-?[\d.]+)", path)]
        heights.append(max(ys) - min(ys))
    return heights


def test_the_marked_cell_is_named_with_its_value_and_sign_by_place() -> None:
    points = tuple(CellPoint(i, -6.3 if i == 11 else 0.1) for i in range(1, 17))
    drawn = figures_cells.cell_strip("k", [Strip("Top", "Ah", points, 2.0)], pack=1, marked=frozenset({11}))
    assert "cell 11: 6.3 Ah" in texts(drawn)
    assert [t for t in texts(drawn) if t.isdecimal()][:16] == [str(i) for i in range(1, 17)]
    assert drawn.count(f'stroke="{RED}"') >= 1


def test_a_bound_says_at_least() -> None:
    points = (CellPoint(1, -5.2, at_least=True), CellPoint(2, 0.0), CellPoint(3, None))
    drawn = figures_cells.cell_strip("k", [Strip("Top", "Ah", points, 2.0)], pack=0, marked=frozenset({1}))
    assert "cell 1: at least 5.2 Ah" in texts(drawn)


def test_ordinary_scatter_is_not_blown_up() -> None:
    points = tuple(CellPoint(i, 0.05 * (-1) ** i) for i in range(1, 17))
    low, high = figures_cells.strip_limits([Strip("Top", "Ah", points, 2.0)])
    assert high - low >= 2.0


def test_bars_of_energy_are_as_high_as_the_energy() -> None:
    days = [EnergyDay(d, kwh, 1.0) for d, kwh in zip(DAYS, (2.0, 4.0, 8.0, 1.0, 1.0, 1.0, 1.0), strict=True)]
    heights = bars(figures_energy.daily_energy("k", days, pack=0, top=10.0), BLUE)
    assert heights[1] == pytest.approx(2 * heights[0], rel=0.01)
    assert heights[2] == pytest.approx(4 * heights[0], rel=0.01)


def test_a_day_of_little_record_has_a_star() -> None:
    days = [EnergyDay(d, 2.0, 1.0, 0.5 if d == DAYS[2] else 1.0) for d in DAYS]
    assert texts(figures_energy.daily_energy("k", days, pack=0)).count("*") == 1


def test_holes_in_the_record_are_crossed_out() -> None:
    whole = figures_coverage.coverage_hours("k", [CoverDay(d, 24.0, ()) for d in DAYS])
    holed = figures_coverage.coverage_hours(
        "k", [CoverDay(DAYS[0], 24.0, ((3.0, 5.0),)), CoverDay(DAYS[1], 23.0, None)]
    )
    assert "url(#" not in re.sub(r'clip-path="url\([^)]*\)"', "", whole)
    assert re.sub(r'clip-path="url\([^)]*\)"', "", holed).count("url(#k-") == 2  # one hatch for each hole


def test_hours_outside_a_limit_are_crossed_too() -> None:
    parts = [figures_usage.Range(-5, 0, 3, outside=True), figures_usage.Range(0, 5, 9)]
    drawn = figures_usage.ranges("k", parts, pack=0, unit="hours", of="°C")
    assert "url(#k-" in re.sub(r'clip-path="url\([^)]*\)"', "", drawn)
    assert {"−5", "0", "5"} <= set(texts(drawn))


def test_the_figure_you_entered_is_named_beside_its_line() -> None:
    drawn = figures_capacity.capacity_points(
        "k", [], pack=0, rated_ah=280, floor_ah=196, span=(DAYS[0], DAYS[-1])
    )
    assert {"rated 280", "the figure you entered"} <= set(texts(drawn))


@pytest.mark.parametrize(("fahrenheit", "name"), [(False, "0\u202f°C"), (True, "32\u202f°F")])
def test_freezing_is_marked_in_the_readers_unit(fahrenheit: bool, name: str) -> None:
    days = [figures_cold.ColdDay(d, -2.0, 4.0, -5.0, 3.0) for d in DAYS]
    assert name in texts(figures_cold.cold_days("k", days, pack=0, fahrenheit=fahrenheit))


def test_empty_figures_say_why() -> None:
    assert "nothing recorded in these days" in texts(figures_cold.cold_days("k", [], pack=0))
    assert "nothing recorded in these days" in texts(figures_energy.daily_energy("k", [], pack=0))
    assert "cannot be told for these days" in texts(figures_energy.loss_parts("k", [], pack=0))


def test_limits_keep_zero_where_it_belongs() -> None:
    assert scales.nice_limits([2.0, 8.0], least=1.0, zero=True)[0] == 0.0
    assert scales.nice_limits([-1.0, 1.0], least=8.0) == (-4.0, 4.0)
