"""Whether unexplained warming was a heater: a thermostat works between the same two temperatures."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.daily.heater import HeaterRun
from analysis.daily.warming import HEAT_WH_PER_K, LEAST_SLOPE
from analysis.digest import DayDigest
from analysis.facts import PackFacts
from analysis.frame import F64
from analysis.history import History
from analysis.once import once

LEAST_RUNS, LEAST_RUN_H = 5, 0.4
"""Runs of at least this length that are needed. [1], [h] Practice, no source."""
LEAST_STATED = 3
"""The same where the user said that there is a heater."""
BAND_K = 2.0
"""Width within which a thermostat starts, as the median cell sensor sees it, and stops. [K] Practice."""
STARTS, ENDS = 0.55, 0.5
"""Part of the runs that has to start, and to end, within one such band. [1] Practice, no source."""
WARMEST_START_C, LEAST_RISE_K = 9.0, 1.0
"""A heater starts below the first, as a rule near 0 °C, and stops this much warmer. [°C], [K] Practice."""
TOLD = frozenset(("flag", "watts"))
MOST_OHM, MOST_ENTROPY_V_K = 2.0e-3, 0.2e-3
"""What a cell of 280 Ah can have of resistance to steady current in the cold [Ω], and by how much its
equilibrium voltage can change with temperature [V/K]: what current can warm cells by at most. Its resistance
over 10 to 30 s is 0.25 to 0.6 mΩ at 25 °C and several times that at 0 °C; from memory."""


@dataclass(frozen=True, slots=True)
class Heating:
    """Whether a pack has a heater, and which of its warmings were heating.

    Attributes
    ----------
    seen : bool
        The pack says so, or its cells warm as by a thermostat; also where they never warmed at all.
    told : bool
        Whether the pack itself tells when it is on.
    start_c, stop_c : float
        Between what temperatures of the median cell sensor the thermostat works; NaN if not known. [°C]
    reason : str
        Why not, in words; "" if seen.
    """

    seen: bool
    told: bool
    start_c: float
    stop_c: float
    reason: str


NO_WARMTH = "no heater was seen: the pack tells of none, and its cells never warm as a thermostat makes them"
CURRENT_TOO = (
    "the pack tells of no heater, and what warmed its cells may as well have been its current: cannot tell"
)
NOT_STATED = "the stated heater was not seen: the cells never warmed as a thermostat makes them"


def self_warming(rms_a: float, facts: PackFacts) -> float:
    """Rate at which a pack's own current can warm its cells at most. [K/h]

    Parameters
    ----------
    rms_a : float
        [A]
    facts : PackFacts
    """
    scale = max(facts.rated_ah, 1.0) / 280.0
    watts = rms_a**2 * MOST_OHM / scale + rms_a * 273.0 * MOST_ENTROPY_V_K
    return 16.0 * watts / (HEAT_WH_PER_K * scale)


def unexplained(run: HeaterRun, facts: PackFacts) -> bool:
    """Whether a warming is faster than the current of that time can have made it."""
    hours = (run.end_s - run.start_s) / 3600
    if hours <= 0 or not math.isfinite(run.rms_a):
        return True
    return (run.end_c - run.start_c) / hours > self_warming(run.rms_a, facts) + LEAST_SLOPE


@once
def heating(history: History) -> Heating:
    """Tell whether a pack has a heater, and by which temperatures it is switched.

    Sun, a heated room, current and warm air warm cells too, at any temperature and for any time. A heater
    starts and stops at the same two temperatures again and again, whatever the current does: warmings that
    the current of that time can have made tell nothing.

    Returns
    -------
    Heating
    """
    nan = math.nan
    facts = history.facts
    if any(d.heater.method in TOLD for d in history.digests):
        return Heating(True, True, nan, nan, "")
    if not any(d.heater.on_s > 0 for d in history.digests):
        return Heating(True, False, nan, nan, "")
    runs = [r for d in history.digests for r in d.heater.runs if not r.open_start and not r.open_end]
    longer = [r for r in runs if r.end_s - r.start_s >= LEAST_RUN_H * 3600]
    longer = [r for r in longer if math.isfinite(r.start_c) and math.isfinite(r.end_c)]
    sure = [r for r in longer if unexplained(r, facts)]
    stated = facts.heater_w is not None
    none = NOT_STATED if stated else NO_WARMTH
    if len(sure) < (LEAST_STATED if stated else LEAST_RUNS):
        doubtful = len(longer) >= LEAST_RUNS and _works(_below(longer, WARMEST_START_C)) is not None
        return Heating(False, False, nan, nan, CURRENT_TOO if doubtful else none)
    band = _works(_below(sure, WARMEST_START_C) if stated else sure)
    if band is None:
        return Heating(False, False, nan, nan, none)
    return Heating(True, False, *band, "")


def heater_seen(history: History) -> bool:
    """Tell whether a pack has a heater; also True where no warming was seen at all."""
    return heating(history).seen


def counts(run: HeaterRun, how: Heating, facts: PackFacts) -> bool:
    """Whether a warming was heating, by what the thermostat is known to do.

    Parameters
    ----------
    run : HeaterRun
    how : Heating
        Of the pack's history.
    facts : PackFacts
    """
    if how.told or not how.seen:
        return how.told
    if not math.isfinite(how.start_c):
        return True
    begins = run.open_start or run.start_c <= how.start_c + BAND_K
    ends = run.open_end or run.end_c <= how.stop_c + BAND_K
    return begins and ends and (unexplained(run, facts) or run.end_c >= how.stop_c - BAND_K)


def heated_s(digest: DayDigest, how: Heating, facts: PackFacts) -> float:
    """Time for which the heater was on in a day, by all that is known of it. [s]

    Parameters
    ----------
    digest : DayDigest
    how : Heating
        Of the pack's history.
    facts : PackFacts
    """
    if how.told:
        return digest.heater.on_s
    total = math.fsum(r.end_s - r.start_s for r in digest.heater.runs)
    if not how.seen or total <= 0:
        return 0.0
    counted = math.fsum(r.end_s - r.start_s for r in digest.heater.runs if counts(r, how, facts))
    return digest.heater.on_s * min(counted / total, 1.0)


def _below(runs: list[HeaterRun], start_c: float) -> list[HeaterRun]:
    return [r for r in runs if r.start_c <= start_c]


def _works(runs: list[HeaterRun]) -> tuple[float, float] | None:
    """Temperatures between which a thermostat made these warmings; None if none did. [°C]"""
    if not runs:
        return None
    ends = np.array([(r.start_c, r.end_c) for r in runs])
    (start, alike), (stop, at_end) = _band(ends[:, 0]), _band(ends[:, 1])
    good = alike >= STARTS and at_end >= ENDS and start <= WARMEST_START_C and stop - start >= LEAST_RISE_K
    return (start, stop) if good else None


def _band(values: F64) -> tuple[float, float]:
    """Middle of the fullest band of `BAND_K` [°C], and the part of the values within it. [1]"""
    ordered = np.sort(values)
    last = np.searchsorted(ordered, ordered + BAND_K, side="right")
    count = last - np.arange(ordered.size)
    best = int(np.argmax(count))
    return float(np.median(ordered[best : last[best]])), float(count[best]) / ordered.size
