"""One quantity through the days: read back from the drawing."""

from __future__ import annotations

import re
from datetime import date

from analysis.report import figures_trend
from analysis.report.figures_trend import Level, Trend
from analysis.report.style import INK, ORANGE

DAYS = tuple(f"2026-01-{d:02d}" for d in range(12, 19))


def texts(svg: str) -> list[str]:
    return re.findall(r"<text[^>]*>([^<]*)</text>", svg)


def test_a_spike_in_a_long_series_is_drawn() -> None:
    days = [date.fromordinal(737000 + i).isoformat() for i in range(3000)]
    values = [0.0] * 3000
    values[1234] = -25.0
    what = Trend(tuple(days), tuple(values), "Ah", weak=(False,) * 3000)
    flat = Trend(tuple(days), (0.0,) * 3000, "Ah", weak=(False,) * 3000)
    drawn, calm = (figures_trend.trend("k", t, pack=0, least=2.0) for t in (what, flat))
    assert drawn.count("<use") < 600
    assert "−20" in texts(drawn)
    assert "−20" not in texts(calm)


def test_intervals_are_lines_and_the_level_is_dashed_and_named() -> None:
    what = Trend(DAYS, (1.0,) * 7, "mΩ", halves=(0.5,) * 7, level=Level(0.4, "copper alone"))
    drawn = figures_trend.trend("k", what, pack=1, least=0.2)
    assert "copper alone" in texts(drawn)
    assert len(re.findall(rf'stroke="{ORANGE}"[^>]*stroke-width="0.9"', drawn)) >= 1
    assert re.search(rf'stroke="{INK}"[^>]*stroke-dasharray|stroke-dasharray[^>]*stroke="{INK}"', drawn)


def test_what_has_no_natural_zero_is_drawn_without_it() -> None:
    warm = Trend(DAYS, (21.0,) * 7, "°C", zero=False)
    drawn = figures_trend.trend("k", warm, pack=0, least=5.0)
    assert "0" not in texts(drawn)
    assert "20" in texts(drawn)


def test_the_day_of_onset_is_named_inside_the_drawing_only() -> None:
    inside = Trend(DAYS, (1.0,) * 7, "Ah", since="2026-01-14")
    assert "since 14 Jan" in texts(figures_trend.trend("k", inside, pack=0, least=1.0))
    before = Trend(DAYS, (1.0,) * 7, "Ah", since="2026-01-02")
    assert not [t for t in texts(figures_trend.trend("k", before, pack=0, least=1.0)) if "since" in t]


def test_no_measurement_is_said() -> None:
    assert "no measurement in these days" in texts(
        figures_trend.trend("k", Trend((), (), "Ah"), pack=0, least=1.0)
    )
