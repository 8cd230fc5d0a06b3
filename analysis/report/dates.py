"""Dates as people write them; ISO dates stay inside."""

from __future__ import annotations

import re
from datetime import date

_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def ordinal(day: str) -> int:
    """Day number of an ISO date; the x of every figure over days."""
    return date.fromisoformat(day).toordinal()


def short_day(day: str | int) -> str:
    """Write a date as "14 Jan", without the year.

    >>> short_day("2026-01-14")
    '14 Jan'
    """
    d = date.fromordinal(day) if isinstance(day, int) else date.fromisoformat(day)
    return f"{d.day} {_MONTHS[d.month - 1]}"


def long_day(day: str | int) -> str:
    """Write a date as "14 Jan 2026".

    >>> long_day("2026-01-14")
    '14 Jan 2026'
    """
    d = date.fromordinal(day) if isinstance(day, int) else date.fromisoformat(day)
    return f"{d.day} {_MONTHS[d.month - 1]} {d.year}"


def span_text(first: str, last: str) -> str:
    """Write a span of days as "12 to 18 Jan 2026", as short as it stays clear.

    >>> span_text("2026-01-12", "2026-01-18"), span_text("2025-12-29", "2026-01-04")
    ('12 to 18 Jan 2026', '29 Dec 2025 to 4 Jan 2026')
    """
    a, b = date.fromisoformat(first), date.fromisoformat(last)
    if a == b:
        return long_day(first)
    if (a.year, a.month) == (b.year, b.month):
        return f"{a.day} to {long_day(last)}"
    if a.year == b.year:
        return f"{short_day(first)} to {long_day(last)}"
    return f"{long_day(first)} to {long_day(last)}"


_CODE = re.compile(r"`([^`]*)`")
_MINUS = re.compile(r"(?<![\w-])-(?=\d)")
_SPAN = re.compile(r"(\d{4}-\d\d-\d\d) to (\d{4}-\d\d-\d\d)")
_DAY = re.compile(r"\b(\d{4}-\d\d-\d\d)\b")
_UNIT = re.compile(r"(?<=\d) (?=(?:%|[mk]?Wh|[mk]?W|m?Ah?|m?V|m?Ω|°[CF]|h|min|s|K)(?![A-Za-z]))")


def humane(text: str) -> str:
    """Dates of a text as people write them, minus signs as such, units never parted from their numbers.

    >>> humane("7 days, 2026-01-12 to 2026-01-18"), humane("21.4 mA (95 %)")
    ('7 days, 12 to 18 Jan 2026', '21.4\u202fmA (95\u202f%)')
    """
    text = _UNIT.sub("\u202f", text)
    text = _MINUS.sub("−", _CODE.sub(r"“\1”", text))
    text = _SPAN.sub(lambda m: span_text(m.group(1), m.group(2)), text)
    return _DAY.sub(lambda m: long_day(m.group(1)), text)
