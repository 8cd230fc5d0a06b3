"""Results as text. The digits are counted by hand."""

from __future__ import annotations

from dataclasses import dataclass

from rich.console import Console

from analysis.estimate import Estimate, unknown
from analysis.finding import Finding, Forecast
from logger.tables import estimate, forecast, number, show_health, size


def test_a_number_has_the_digits_that_its_interval_supports() -> None:
    assert estimate(Estimate(8125.3, "Wh", 6055.1, 10190.2)) == "8,100 Wh (6,100 to 10,200)"
    assert estimate(Estimate(0.98271, "1", 0.97823, 0.98702)) == "0.9827 (0.9782 to 0.9870)"
    assert estimate(Estimate(21.46, "mA", 15.6, 27.3)) == "21.5 mA (15.6 to 27.3)"


def test_what_is_not_known_says_why() -> None:
    assert estimate(unknown("Ah", "needs a full charge")) == "– needs a full charge"
    assert estimate(Estimate(3.0, "V", reason="one reading")) == "3.000 V (no interval: one reading)"
    assert estimate(Estimate(1.0, "s", 1.0, 1.0)) == "1.000 s"


def test_numbers_are_never_in_powers_of_ten() -> None:
    assert [number(v) for v in (0, 507_600, 1e-7)] == ["0", "507,600", "0.0000001000"]


@dataclass(frozen=True)
class Cell:
    cell: int
    top: Estimate
    bottom: Estimate


@dataclass(frozen=True)
class Part:
    total: Estimate
    cells: tuple[Cell, ...]


def test_cells_get_a_line_each_and_the_rest_its_basis() -> None:
    some = Estimate(1.0, "Ah", 0.9, 1.1, basis="made up")
    console = Console(width=60, record=True)
    show_health(Part(some, (Cell(1, some, some), Cell(2, some, some))), console)
    lines = console.export_text().splitlines()
    assert "total" in lines[0]
    assert "[made up]" in lines[0]
    assert lines[-2].strip() == "1  top 1.00 Ah (0.90 to 1.10); bottom 1.00 Ah (0.90 to 1.10)"
    assert lines[-1].startswith("   2  top")


def test_size_and_forecast_of_a_finding() -> None:
    finding = Finding("self_discharge", "B", 11, "2026-01-01", "watch", 0.9, 21.4, 15.6, 27.3, "mA", "m", "c")
    assert size(finding) == "21.4 mA (15.6 to 27.3)"
    assert forecast(finding) == ""
    ahead = Forecast("cell 11 is empty first", "2026-04-18", "2026-01-11", "2026-12-22")
    told = Finding(
        "self_discharge", "B", 11, "2026-01-01", "watch", 0.9, None, None, None, "", "m", "c", ahead
    )
    assert size(told) == "size not known"
    assert forecast(told) == "Forecast: cell 11 is empty first about 2026-04-18 (2026-01-11 to 2026-12-22)"
