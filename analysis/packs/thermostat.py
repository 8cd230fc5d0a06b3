"""Whether unexplained warming was a heater: a thermostat works between the same two temperatures."""

from __future__ import annotations

import numpy as np

from analysis.frame import F64
from analysis.history import History
from analysis.once import once

LEAST_RUNS, LEAST_RUN_H = 5, 0.4
"""Runs of at least this length that are needed. [1], [h] Practice, no source."""
BAND_K = 2.0
"""Width within which a thermostat starts, as the median cell sensor sees it, and stops. [K] Practice."""
STARTS, ENDS = 0.55, 0.5
"""Part of the runs that has to start, and to end, within one such band. [1] Practice, no source."""
WARMEST_START_C, LEAST_RISE_K = 9.0, 1.0
"""A heater starts below the first, as a rule near 0 °C, and stops this much warmer. [°C], [K] Practice."""
TOLD = frozenset(("flag", "watts"))


@once
def heater_seen(history: History) -> bool:
    """Tell whether a pack has a heater: it says so, its owner does, or its cells warm as by a thermostat.

    Sun, a heated room, current and warm air warm cells too, at any temperature and for any time. A heater
    starts and stops at the same two temperatures again and again.

    Returns
    -------
    bool
        Also true where no run was seen at all.
    """
    if history.facts.heater_w is not None or any(d.heater.method in TOLD for d in history.digests):
        return True
    runs = [r for d in history.digests for r in d.heater.runs if not r.open_start and not r.open_end]
    if not any(d.heater.on_s > 0 for d in history.digests):
        return True
    longer = [r for r in runs if r.end_s - r.start_s >= LEAST_RUN_H * 3600]
    ends = np.array([(r.start_c, r.end_c) for r in longer]).reshape(-1, 2)
    ends = ends[np.isfinite(ends).all(axis=1)]
    if ends.shape[0] < LEAST_RUNS:
        return False
    (start, alike), (stop, at_end) = _band(ends[:, 0]), _band(ends[:, 1])
    return alike >= STARTS and at_end >= ENDS and start <= WARMEST_START_C and stop - start >= LEAST_RISE_K


def _band(values: F64) -> tuple[float, float]:
    """Middle of the fullest band of `BAND_K` [°C], and the part of the values within it. [1]"""
    ordered = np.sort(values)
    last = np.searchsorted(ordered, ordered + BAND_K, side="right")
    count = last - np.arange(ordered.size)
    best = int(np.argmax(count))
    return float(np.median(ordered[best : last[best]])), float(count[best]) / ordered.size
