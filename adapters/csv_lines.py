"""A block of CSV read line by line, for the blocks in which something is odd."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Mapping
from datetime import UTC, datetime

import numpy as np

from adapters.channels import Channel
from adapters.csv_header import Header
from adapters.csv_outcome import CsvOutcome

NULL = ["", "nan", "NaN", "NAN", "-nan", "null", "NULL", "None", "none", "NA", "N/A", "n/a", "-", "<NA>"]
"""Spellings of an absent value."""
TRUE = ["1", "true", "True", "TRUE", "1.0", "on", "On", "ON", "yes", "t", "T"]
FALSE = ["0", "false", "False", "FALSE", "0.0", "off", "Off", "OFF", "no", "f", "F"]

_NULL, _TRUE, _FALSE = frozenset(NULL), frozenset(TRUE), frozenset(FALSE)
_STAMP = re.compile(
    r"(\d{4})-(\d\d)-(\d\d)[T ](\d\d):(\d\d)(?::(\d\d)(?:[.,](\d{1,12}))?)?\s*(Z|z|UTC|[+-]\d\d(?::?\d\d)?)?$"
)


def parse_time(text: str) -> tuple[int, bool] | None:
    """Read an ISO 8601 instant.

    Parameters
    ----------
    text : str
        Date and time, separated by T or a space; seconds may have a fraction; Z or an offset may follow.

    Returns
    -------
    (int, bool) or None
        Milliseconds UTC (fractions cut off) and whether a zone was given; None if it is no instant. [ms UTC]

    Examples
    --------
    >>> parse_time("2026-01-05 07:00:00.250+01:00")
    (1767592800250, True)
    """
    match = _STAMP.match(text.strip())
    if match is None:
        return None
    year, month, day, hour, minute, second, fraction, zone = match.groups()
    try:
        moment = datetime(
            int(year), int(month), int(day), int(hour), int(minute), int(second or 0), tzinfo=UTC
        )
    except ValueError:
        return None
    millis = int(moment.timestamp()) * 1000 + int((fraction or "0").ljust(3, "0")[:3])
    if zone and zone[0] in "+-":
        digits = zone[1:].replace(":", "")
        offset_min = int(digits[:2]) * 60 + int(digits[2:] or 0)
        millis -= (1 if zone[0] == "+" else -1) * offset_min * 60_000
    return millis, zone is not None


def parse_cell(channel: Channel, text: str) -> float | str:
    """Read one cell: a number in the channel's unit, NaN if it is blank, or the reason why it is neither."""
    word = text.strip()
    if word in _NULL:
        return math.nan
    if channel.kind == "flag":
        if word in _TRUE:
            return 1.0
        if word in _FALSE:
            return 0.0
    try:
        if "_" not in word:
            return float(word)
    except ValueError:
        pass
    hint = "; write the decimal point as a point" if re.fullmatch(r"-?\d+,\d+", word) else ""
    return f"{channel.name} = {word[:20]!r} is not a number{hint}"


def parse_lines(
    header: Header, catalogue: Mapping[str, Channel], block: bytes, first_line: int, outcome: CsvOutcome
) -> dict[str, np.ndarray]:
    """Read a block line by line; refused lines go to the outcome with number and reason.

    Returns
    -------
    dict of str to array, shape (n,)
        `time_ms` int64 [ms UTC], and each known column in physical units, NaN where blank.
    """
    at = {name: place for place, name in enumerate(header.names)}
    wanted = [(at[name], catalogue[name]) for name in header.known]
    times: list[int] = []
    rows: list[list[float]] = []
    for number, line in enumerate(block.split(b"\n"), start=first_line):
        if not line.strip():
            continue
        outcome.lines += 1
        row = _parse_line(header, wanted, at[header.time], line, outcome)
        if isinstance(row, str):
            outcome.reject(number, row)
            continue
        times.append(row[0])
        rows.append(row[1])
    grid = np.array(rows, dtype=np.float64).reshape(len(rows), len(wanted))
    columns = {channel.name: grid[:, place] for place, (_, channel) in enumerate(wanted)}
    return {"time_ms": np.array(times, dtype=np.int64), **columns}


def _parse_line(
    header: Header, wanted: list[tuple[int, Channel]], time_at: int, line: bytes, outcome: CsvOutcome
) -> tuple[int, list[float]] | str:
    try:
        fields = next(csv.reader([line.decode("utf-8").strip("\r")], delimiter=header.delimiter), [])
    except (UnicodeDecodeError, csv.Error) as exc:
        return f"unreadable: {exc}"
    if len(fields) != len(header.names):
        how = "cut short: " if len(fields) < len(header.names) else ""
        return f"{how}{len(fields)} fields, the header has {len(header.names)}"
    stamp = parse_time(fields[time_at])
    if stamp is None:
        return f"timestamp {fields[time_at][:30]!r} is not ISO 8601 (2026-01-05T07:00:00Z)"
    outcome.naive = outcome.naive or not stamp[1]
    row: list[float] = []
    for place, channel in wanted:
        cell = parse_cell(channel, fields[place])
        if isinstance(cell, str):
            return cell
        row.append(cell)
    return stamp[0], row
