from __future__ import annotations

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pytest

from adapters.base import Subject
from analysis.facts import PackFacts
from logger.page import draw
from logger.page.today import BUCKETS, Course, Tracker
from logger.record.days import day_bounds_ms
from logger.record.store import Store
from tests.logger.made import make_day


def test_a_spike_of_one_second_is_in_the_course_of_the_day(store: Store) -> None:
    start, end = day_bounds_ms("2026-01-14", store.zone)
    time_ms = np.arange(start, end, 10_000)
    amps = np.full(time_ms.size, -700)
    amps[4321] = 18_000  # 180 A
    table = pa.table(
        {
            "time_ms": time_ms,
            "pack_a": pa.array(amps, pa.int32()),
            "cell_01_v": pa.array([3300] * time_ms.size, pa.int32()),
        }
    )
    store.adopt(Subject("A"), table, now_ms=end - 1)
    with store.reading() as conn:
        course = Tracker(PackFacts("A", n_cells=4), (start, end)).update(conn)
    assert max(course.current.high) == pytest.approx(180.0)
    assert min(course.current.low) == pytest.approx(-7.0)
    assert len(course.current.at) <= BUCKETS + 1
    assert course.cells.low[0] == pytest.approx(3.3)
    assert course.temperature.at == ()


def test_a_pack_without_readings_has_an_empty_course(store: Store) -> None:
    with store.reading() as conn:
        assert Tracker(PackFacts("nobody"), (0, 86_400_000)).update(conn).current.at == ()


def test_a_missing_hour_breaks_the_drawing_in_two() -> None:
    at = tuple((i + 0.5) / BUCKETS for i in range(BUCKETS) if not 60 <= i < 70)
    course = Course(at, (1.0,) * len(at), (2.0,) * len(at))
    assert draw.curve(course, least=1.0, decimals=0, pack=0).count("<polygon") == 2


def test_the_axis_never_blows_noise_up() -> None:
    course = Course((0.1, 0.2), (3.300, 3.301), (3.302, 3.301))
    drawn = draw.curve(course, least=0.06, decimals=2, pack=0)
    assert ">3.28<" in drawn
    assert ">3.32<" in drawn


def test_cells_are_bars_up_and_down_from_the_middle_one() -> None:
    drawn = draw.cell_bars([3.30, 3.31, 3.28, None], 1)
    heights = [float(h) for h in __import__("re").findall(r'height="([\d.]+)"', drawn)]
    assert drawn.count("<rect") == 3
    assert heights[2] == pytest.approx(2 * heights[1], rel=0.02)  # 20 mV below, 10 mV above
    assert draw.cell_bars([None, None], 0) == ""


def test_reading_on_gives_what_reading_at_once_gives(store: Store) -> None:
    start, end = day_bounds_ms("2026-01-14", store.zone)
    table = make_day("2026-01-14")
    noon = (start + end) // 2
    facts = PackFacts("A", n_cells=4)
    step_by_step = Tracker(facts, (start, end))
    for until in (noon, end):
        part = table.filter(pc.less(table["time_ms"], until))
        store.adopt(Subject("A"), part, now_ms=end - 1)
        with store.reading() as conn:
            seen = step_by_step.update(conn)
    with store.reading() as conn:
        assert Tracker(facts, (start, end)).update(conn) == seen
