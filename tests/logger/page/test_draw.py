"""The page's own small drawings: numbers enough to read a value, breaks where nothing was read."""

from __future__ import annotations

import re

from hypothesis import given
from hypothesis import strategies as st

from logger.page.draw import cell_bars, curve
from logger.page.today import Course


def numbers(svg: str) -> list[str]:
    """Numbers at the left axis; the last so anchored is the hour 24."""
    return re.findall(r'text-anchor="end">([^<]*)</text>', svg)[:-1]


@given(low=st.floats(-300, 300), span=st.floats(0.5, 600))
def test_any_range_has_two_to_six_numbers_at_its_axis(low: float, span: float) -> None:
    drawn = curve(Course((0.1, 0.2), (low, low), (low + span, low + span)), least=0.1, decimals=2, pack=0)
    assert 2 <= len(numbers(drawn)) <= 6


def test_a_gap_breaks_the_line() -> None:
    whole = curve(Course((0.10, 0.105), (0.0, 0.0), (1.0, 1.0)), least=1.0, decimals=0, pack=0)
    broken = curve(Course((0.10, 0.50), (0.0, 0.0), (1.0, 1.0)), least=1.0, decimals=0, pack=0)
    assert (whole.count("<polygon"), broken.count("<polygon")) == (1, 2)


def test_a_cell_that_was_not_read_has_no_bar_and_keeps_its_place() -> None:
    drawn = cell_bars((3.30, None, 3.31), 0)
    assert drawn.count("<rect") == 2
    assert cell_bars((None, None), 0) == ""
