"""Local calendar days of the site's time zone: 23, 24 or 25 hours long."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from adapters import errors

Zone = ZoneInfo
"""A time zone, as everything here takes it."""


def zone(name: str) -> ZoneInfo:
    """Return a time zone by name.

    Raises
    ------
    ConfigError
        If there is none of that name.
    """
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError) as exc:
        raise errors.ConfigError(
            f'timezone = "{name}" is not known', 'use a name like "Europe/Vienna"'
        ) from exc


def day_bounds(day: date | str, tz: ZoneInfo) -> tuple[float, float]:
    """Return the UTC epoch seconds of a local day's two midnights. [s]

    Where midnight itself does not exist, the day begins at the first instant that does.

    Examples
    --------
    >>> start, end = day_bounds("2026-10-25", ZoneInfo("Europe/Vienna"))
    >>> (end - start) / 3600
    25.0
    """
    local = date.fromisoformat(day) if isinstance(day, str) else day
    return _midnight(local, tz), _midnight(local + timedelta(days=1), tz)


def day_bounds_ms(day: date | str, tz: ZoneInfo) -> tuple[int, int]:
    """Return the same in ms."""
    start, end = day_bounds(day, tz)
    return round(start * 1000), round(end * 1000)


def local_day(time_ms: int, tz: ZoneInfo) -> str:
    """Return the local date of an instant as YYYY-MM-DD.

    Examples
    --------
    >>> local_day(0, ZoneInfo("Europe/Vienna"))
    '1970-01-01'
    """
    return datetime.fromtimestamp(time_ms / 1000, tz).date().isoformat()


def days_between(first_ms: int, last_ms: int, tz: ZoneInfo) -> Iterator[str]:
    """Yield every local date touched by the instants from first to last, inclusive."""
    day = date.fromisoformat(local_day(first_ms, tz))
    last = date.fromisoformat(local_day(last_ms, tz))
    while day <= last:
        yield day.isoformat()
        day += timedelta(days=1)


def neighbour(day: str, step: int) -> str:
    """Return the date `step` days later.

    Examples
    --------
    >>> neighbour("2026-03-01", -1)
    '2026-02-28'
    """
    return (date.fromisoformat(day) + timedelta(days=step)).isoformat()


def _midnight(day: date, tz: ZoneInfo) -> float:
    # fold=0: of two midnights the earlier; a midnight in the gap of a spring change maps, by PEP 495, to
    # the offset before the change, which names the first instant after the gap when taken back to local.
    return datetime.combine(day, time(), tz).timestamp()
