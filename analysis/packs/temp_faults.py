"""Temperature sensors that cannot be believed: dead, stuck, or shifted against the others."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.frame import F64, Bool
from analysis.history import History
from analysis.once import once
from analysis.stats.change import step_change

DEAD_SHARE = 0.5
"""Part of a day without a possible reading that makes a dead day. [1] Practice, no source."""
LOOSE_SHARE = 0.05
"""Part of a day that makes a day of a loose connection. [1] Practice, no source."""
STUCK_H, STUCK_MOVED_K = 6.0, 3.0
"""A sensor is stuck that did not change for this long while the others moved this far. [h], [K] Practice."""
SHIFT_K, APART_K = 3.0, 5.0
"""A step against the others, and a lasting difference, that no place in a pack explains. [K] Practice."""
LEAST_DAYS = 2


@dataclass(frozen=True, slots=True)
class TempFault:
    """One sensor at fault.

    Attributes
    ----------
    sensor : int
        From 1.
    fault : {"dead", "loose", "stuck", "shifted"}
    since, last : str
        Local dates of the first and the last day that show it.
    days : int
        Days that show it.
    value, low, high : float
        Shift against the others [K]; part of the time without a reading [1]; or the longest time
        without a change [h].
    on_cell : bool
        Whether it sits on a cell.
    """

    sensor: int
    fault: Literal["dead", "loose", "stuck", "shifted"]
    since: str
    last: str
    days: int
    value: float
    low: float
    high: float
    on_cell: bool


def _table(history: History, name: str, sensors: int) -> F64:
    """One quantity of every sensor and day, shape (sensors, days); NaN where a day lacks it."""
    out = np.full((sensors, len(history.digests)), np.nan)
    for column, digest in enumerate(history.digests):
        for row, temp in enumerate(digest.temps):
            out[row, column] = getattr(temp, name)
    return out


def _last_spell(bad: Bool, known: Bool) -> tuple[int, int, int] | None:
    """First, last and count of bad days in the latest spell (good days in between end it)."""
    days = np.flatnonzero(known)
    marks = bad[days]
    where = np.flatnonzero(marks)
    if where.size == 0:
        return None
    end = int(where[-1])
    start = end
    while start > 0 and marks[start - 1]:
        start -= 1
    return int(days[start]), int(days[end]), end - start + 1


def _dead(history: History, sensor: int, dead: F64, valid: F64, on_cell: bool) -> TempFault | None:
    known = np.isfinite(dead)
    if not np.any(valid[known] > 0.5):
        return None  # never worked: not fitted
    for fault, share, least in (("dead", DEAD_SHARE, LEAST_DAYS), ("loose", LOOSE_SHARE, 3)):
        with np.errstate(invalid="ignore"):
            spell = _last_spell(dead >= share, known)
        if spell is None or spell[2] < least:
            continue
        part = float(np.mean(dead[spell[0] : spell[1] + 1][known[spell[0] : spell[1] + 1]]))
        kind: Literal["dead", "loose"] = "dead" if fault == "dead" else "loose"
        days = history.days
        return TempFault(sensor, kind, days[spell[0]], days[spell[1]], spell[2], part, part, part, on_cell)
    return None


def _stuck(history: History, sensor: int, tables: dict[str, F64], on_cell: bool) -> TempFault | None:
    row = sensor - 1
    low, high, mean = tables["low"][row], tables["high"][row], tables["mean"]
    hours, moved = tables["stuck_h"][row], tables["others_moved"][row]
    others = np.delete(mean, row, axis=0)
    reference = np.full(low.size, np.nan)
    seen = np.isfinite(others).any(axis=0)
    reference[seen] = np.nanmedian(others[:, seen], axis=0)
    with np.errstate(invalid="ignore"):
        in_day = (hours >= STUCK_H) & (moved >= STUCK_MOVED_K)
        same = np.isfinite(low) & (high - low < 1e-6) & np.isfinite(reference)
    spell = _last_spell(same, np.isfinite(low))
    if spell is not None and spell[2] >= LEAST_DAYS:
        inside = slice(spell[0], spell[1] + 1)
        one_value = float(np.ptp(low[inside][np.isfinite(low[inside])])) < 1e-6
        travelled = float(np.ptp(reference[inside][np.isfinite(reference[inside])]))
        if one_value and (travelled >= STUCK_MOVED_K or in_day[inside].any()):
            length = 24.0 * spell[2]
            return TempFault(
                sensor,
                "stuck",
                history.days[spell[0]],
                history.days[spell[1]],
                spell[2],
                length,
                length,
                length,
                on_cell,
            )
    spell = _last_spell(in_day, np.isfinite(low))
    if spell is None or spell[2] < LEAST_DAYS:
        return None
    longest = float(np.nanmax(hours[spell[0] : spell[1] + 1]))
    return TempFault(
        sensor,
        "stuck",
        history.days[spell[0]],
        history.days[spell[1]],
        spell[2],
        longest,
        longest,
        longest,
        on_cell,
    )


def _shifted(history: History, sensor: int, offset: F64) -> TempFault | None:
    known = np.flatnonzero(np.isfinite(offset))
    if known.size < 3:
        return None
    day = known.astype(np.float64)
    recent = offset[known[-14:]]
    level = float(np.median(recent))
    change = step_change(day, offset[known], edge=3) if known.size >= 10 else None
    if change is not None and change.p < 1e-4 and abs(change.size) >= SHIFT_K:
        after = offset[known[day >= change.at]]
        now = float(np.median(after[-14:])) - change.level
        if abs(now) >= SHIFT_K:
            half = max(abs(change.size_high - change.size), 0.5)
            since = history.days[int(known[np.searchsorted(day, change.at)])]
            return TempFault(
                sensor,
                "shifted",
                since,
                history.days[int(known[-1])],
                int(after.size),
                now,
                now - half,
                now + half,
                True,
            )
    if abs(level) >= APART_K and known.size >= 3:
        far = np.abs(offset[known]) >= APART_K
        count = int(far[-14:].sum())
        if count >= min(3, far.size):
            half = max(2 * 1.4826 * float(np.median(np.abs(recent - level))), 0.5)
            since = history.days[int(known[int(np.flatnonzero(far)[0])])]
            return TempFault(
                sensor,
                "shifted",
                since,
                history.days[int(known[-1])],
                count,
                level,
                level - half,
                level + half,
                True,
            )
    return None


@once
def temp_faults(history: History) -> tuple[TempFault, ...]:
    """Find the temperature sensors at fault now (or when the record of them ends).

    Parameters
    ----------
    history : History

    Returns
    -------
    tuple of TempFault
        At most one a sensor, by sensor number. A sensor that never gave a value is taken as not fitted.
        Of sensors that seem shifted against each other only the furthest is named.
    """
    sensors = max((len(d.temps) for d in history.digests), default=0)
    if sensors == 0:
        return ()
    names = ("dead", "valid", "low", "high", "mean", "offset", "stuck_h", "others_moved")
    tables = {name: _table(history, name, sensors) for name in names}
    on_cells = min(history.facts.cell_temps, sensors) or sensors
    found: list[TempFault] = []
    for sensor in range(1, sensors + 1):
        row, on_cell = sensor - 1, sensor <= on_cells
        fault = _dead(history, sensor, tables["dead"][row], tables["valid"][row], on_cell)
        fault = fault or _stuck(history, sensor, tables, on_cell)
        if fault is None and on_cell:
            fault = _shifted(history, sensor, tables["offset"][row])
        if fault is not None:
            found.append(fault)
    return tuple(_furthest(found, on_cells))


def _furthest(found: list[TempFault], on_cells: int) -> list[TempFault]:
    """Of shifts, keep those not explained by another sensor pulling the median: half the largest and more."""
    broken = any(f.fault != "shifted" for f in found)
    shifts = [f for f in found if f.fault == "shifted"]
    if not shifts:
        return found
    worst = max(abs(f.value) for f in shifts)
    few = on_cells - sum(1 for f in found if f.on_cell and f.fault != "shifted") <= 3
    kept = [f for f in shifts if abs(f.value) >= (0.95 * worst if few else 0.6 * worst)]
    if few and (len(kept) > 1 or broken) and len(kept) == on_cells:
        kept = kept[:1]
    return [f for f in found if f.fault != "shifted" or f in kept]


@once
def trusted_sensors(history: History) -> tuple[int, ...]:
    """Return the cell sensors that are not at fault, by index from 0; all if every one is."""
    sensors = max((len(d.temps) for d in history.digests), default=0)
    on_cells = min(history.facts.cell_temps, sensors) or sensors
    bad = {f.sensor - 1 for f in temp_faults(history) if not math.isnan(f.value)}
    good = tuple(i for i in range(on_cells) if i not in bad)
    return good or tuple(range(on_cells))
