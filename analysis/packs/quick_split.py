"""How packs in parallel split a quick change of current: their resistances alone decide it."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from analysis.daily.trace import unpack
from analysis.estimate import Estimate, around, unknown
from analysis.frame import F64, Bool
from analysis.history import History
from analysis.once import once

CHANGE_C = 0.02
"""A change of the bank's current within a minute that shows the split. [C] Practice, no source."""
LOOKED_AT = 40
"""The latest days looked at; and, longer ago, every seventh. [d]"""
LEAST_CHANGES = 8
"""Changes a day must have."""
FAR_BACK = 280
TAKING_PART = 0.05
"""A pack takes part when it carries this much of its fair part of the bank's current: one whose switch is
open, or that refuses charge, shows nothing of how resistances share. [1] Practice, no source."""


def _looked_at(days: list[str]) -> list[str]:
    old, new = days[-FAR_BACK:-LOOKED_AT], days[-LOOKED_AT:]
    return old[::7] + new


def _taking_part(current: F64, fair: F64) -> Bool:
    """Bins in which every pack carries some of the bank's current."""
    total = np.abs(current.sum(axis=0))
    with np.errstate(invalid="ignore"):
        part: Bool = (np.abs(current) > TAKING_PART * fair[:, None] * total).all(axis=0)
    return part


def _day(traces: list[F64], rated_ah: Sequence[float]) -> F64 | None:
    """Each pack's part of the quick changes of one day (packs,) with their number last; None if too few."""
    if len({t.size for t in traces}) != 1 or traces[0].size < 10:
        return None
    current = np.stack(traces)
    change = current[:, 2:] - current[:, :-2]
    total = change.sum(axis=0)
    inside = _taking_part(current, np.array(rated_ah) / sum(rated_ah))
    with np.errstate(invalid="ignore"):
        used = (np.abs(total) > CHANGE_C * sum(rated_ah)) & inside[2:] & inside[:-2]
    if int(used.sum()) < LEAST_CHANGES:
        return None
    step, whole = change[:, used], total[used]
    kept = np.abs(step[0] / whole - np.median(step[0] / whole)) < 0.5  # not two packs against each other
    power = float(whole[kept] @ whole[kept])
    if power <= 0:
        return None
    return np.append(step[:, kept] @ whole[kept] / power, float(kept.sum()))


@once
def _days(*packs: History) -> tuple[tuple[str, F64], ...]:
    """Each pack's part of the quick changes by day, on those days that tell."""
    by_day = [{d.day: d for d in p.digests[-FAR_BACK:] if d.trace.bin_s > 0} for p in packs]
    common = sorted(set(by_day[0]).intersection(*by_day[1:]))
    rated = [p.facts.rated_ah for p in packs]
    found: list[tuple[str, F64]] = []
    for day in _looked_at(common):
        digests = [days[day] for days in by_day]
        if len({d.trace.bin_s for d in digests}) != 1:
            continue
        parts = _day([unpack(d.trace) for d in digests], rated)
        if parts is not None:
            found.append((day, parts))
    return tuple(found)


def quick_split(packs: tuple[History, ...], index: int) -> tuple[tuple[tuple[str, float], ...], Estimate]:
    """Find one pack's part of the quick changes of the bank's current.

    Parameters
    ----------
    packs : tuple of History
        All packs in parallel.
    index : int
        Which of them.

    Returns
    -------
    (tuple of (str, float), Estimate)
        Part by day, and over the latest days. [1]
    """
    found = [(day, float(parts[index])) for day, parts in _days(*packs)]
    recent = np.array([part for _, part in found[-LOOKED_AT:]])
    if recent.size < 3:
        return tuple(found), unknown("1", f"{recent.size} days with quick changes of current in all packs")
    middle = float(np.median(recent))
    spread = 1.2533 * 1.4826 * float(np.median(np.abs(recent - middle))) / math.sqrt(recent.size)
    basis = f"quick changes of current on {recent.size} days"
    return tuple(found), around(
        middle, 1.96 * math.hypot(spread, 0.005 * middle), "1", basis=basis, n=recent.size
    )
