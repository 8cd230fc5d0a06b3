from __future__ import annotations

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.errors import ConfigError
from logger.record.days import day_bounds, day_bounds_ms, days_between, local_day, neighbour, zone

VIENNA = ZoneInfo("Europe/Vienna")


@pytest.mark.parametrize(
    ("day", "hours"),
    [
        # European summer time runs from the last Sunday of March to the last Sunday of October:
        # Directive 2000/84/EC, articles 2 and 3.
        ("2026-03-28", 24),
        ("2026-03-29", 23),
        ("2026-10-25", 25),
        ("2026-10-26", 24),
    ],
)
def test_length_of_local_days(day: str, hours: int) -> None:
    start, end = day_bounds(day, VIENNA)
    assert (end - start) / 3600 == hours


def test_midnight_of_a_winter_day_is_an_hour_before_utc_midnight() -> None:
    start, _ = day_bounds(date(2026, 1, 15), VIENNA)
    assert datetime.fromtimestamp(start, UTC) == datetime(2026, 1, 14, 23, tzinfo=UTC)


def test_a_day_without_midnight_begins_after_the_gap() -> None:
    # Santiago went from 24:00 on 2024-09-07 to 01:00 (IANA tz database, "southamerica").
    santiago = ZoneInfo("America/Santiago")
    start, end = day_bounds("2024-09-08", santiago)
    assert (end - start) / 3600 == 23
    assert datetime.fromtimestamp(start, santiago).hour == 1


@given(
    st.dates(date(1990, 1, 1), date(2060, 1, 1)),
    st.sampled_from(["Europe/Vienna", "UTC", "Asia/Kolkata", "America/Santiago"]),
)
def test_days_meet_without_overlap(day: date, name: str) -> None:
    tz = ZoneInfo(name)
    start, end = day_bounds_ms(day, tz)
    assert day_bounds_ms(neighbour(day.isoformat(), 1), tz)[0] == end
    assert local_day(start, tz) == local_day(end - 1, tz) == day.isoformat()


def test_days_between_instants_include_both_ends() -> None:
    first = day_bounds_ms("2026-03-28", VIENNA)[0]
    last = day_bounds_ms("2026-03-30", VIENNA)[0]
    assert list(days_between(first, last, VIENNA)) == ["2026-03-28", "2026-03-29", "2026-03-30"]


def test_an_unknown_zone_says_what_to_write() -> None:
    with pytest.raises(ConfigError, match="Europe/Vienna"):
        zone("Mars/Olympus")
