"""Causes that lie in the reading: a sense lead between two cells, a noisy or a stuck reading."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.cells.diagnosis import TOP_CONFIDENCE, Diagnosis, level_of
from analysis.estimate import Estimate
from analysis.finding import Severity
from analysis.frame import F64, Bool
from analysis.history import History
from analysis.stats.quantiles import median
from analysis.thresholds import Thresholds

RECENT_DAYS = 21
LEAST_DAYS = 4
MOVED_V = 0.004
"""A reading error that changed by this within the record has to be seen in the sum of the cells too. [V]
Common practice, no source."""
BALANCED = 0.45
"""The sum of an opposite pair may be this part of their difference's half. [1] Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Readings:
    """Readings by day, m days of n cells: error [V], noise [V], time still [s], sum against pack [V]."""

    day: tuple[str, ...]
    error_v: F64
    noise_v: F64
    still_s: F64
    sum_v: F64


def readings(history: History) -> Readings:
    """Gather what the days say about the readings.

    Parameters
    ----------
    history : History

    Returns
    -------
    Readings
        NaN where a day does not tell.
    """
    kept = [d for d in history.digests[-400:] if d.n_cells and d.taps.noise_v]
    n = kept[-1].n_cells if kept else 0
    kept = [d for d in kept if d.n_cells == n]
    nothing = (float("nan"),) * n
    shape = (len(kept), n)
    return Readings(
        tuple(d.day for d in kept),
        np.array([d.plateau.error_v or nothing for d in kept]).reshape(shape),
        np.array([d.taps.noise_v for d in kept]).reshape(shape),
        np.array([d.taps.still_s for d in kept]).reshape(shape),
        np.array([d.plateau.sum_v for d in kept]),
    )


def taps(history: History, limits: Thresholds) -> tuple[Diagnosis, ...]:
    """Find readings that cannot be trusted.

    Parameters
    ----------
    history : History
    limits : Thresholds

    Returns
    -------
    tuple of Diagnosis
        For a pair, one diagnosis with the cell that reads too high.
    """
    known = readings(history)
    if len(known.day) < LEAST_DAYS:
        return ()
    found = [*_still(known, limits), *_noisy(known, limits)]
    taken = {d.cell for d in found}
    found.extend(d for d in _pairs(known, limits) if d.cell not in taken)
    taken = {d.cell for d in found} | {d.cell + 1 for d in found if d.cell is not None}
    found.extend(d for d in _single(known, limits, found) if d.cell not in taken)
    return tuple(found)


def _middle(row: F64) -> float:
    """Median of what is known; NaN if nothing is."""
    return median(row[np.isfinite(row)])


def _since(known: Readings, bad: Bool) -> str:
    """First day of the present run of bad days, single good or silent days bridged."""
    rows = np.flatnonzero(bad)
    first = rows[-1]
    for row in rows[::-1]:
        if first - row > 4:
            break
        first = row
    return known.day[int(first)]


def _still(known: Readings, limits: Thresholds) -> list[Diagnosis]:
    found = []
    for j in range(known.still_s.shape[1]):
        bad = known.still_s[:, j] > limits["tap_stuck_s"]
        recent = bad[-RECENT_DAYS:]
        if int(recent.sum()) < 2 or known.still_s[-RECENT_DAYS:, j].max() < 2 * limits["tap_stuck_s"]:
            continue
        hours = float(np.median(known.still_s[-RECENT_DAYS:, j][recent])) / 3600
        level: Severity = "act" if int(recent[-7:].sum()) >= 2 else "watch"
        evidence = (
            (
                f"For: on {int(recent.sum())} of the last {recent.size} days the reading of cell {j + 1} "
                f"stood "
                f"still, "
                f"{hours:.1f} h on a typical one, while the other cells moved."
            ),
            "While it stands still nothing can be said about the cell itself.",
        )
        size = Estimate(
            hours, "h", 0.8 * hours, 1.2 * hours, "time a day that it stands still", int(recent.sum())
        )
        found.append(Diagnosis("sense_lead", j + 1, _since(known, bad), 0.95, size, level, evidence))
    return found


def _noisy(known: Readings, limits: Thresholds) -> list[Diagnosis]:
    usual = np.array([[_middle(row)] for row in known.noise_v])
    ratio = known.noise_v / np.maximum(usual, 2e-4)
    bad = (ratio > limits["tap_noise_ratio"]) & (known.noise_v > limits["tap_noise_v"])
    found = []
    for j in range(bad.shape[1]):
        recent = bad[-RECENT_DAYS:, j]
        if int(recent.sum()) < 3:
            continue
        noise = float(np.median(known.noise_v[-RECENT_DAYS:, j][recent]))
        others = _middle(usual[-RECENT_DAYS:, 0])
        evidence = (
            (
                f"For: on {int(recent.sum())} of the last {recent.size} days the reading of cell {j + 1} "
                f"jumped by "
                f"{noise * 1e3:.1f} mV from sample to sample, {others * 1e3:.1f} mV in the other cells."
            ),
            "A cell cannot do that while the current it shares with the others is calm; a loose contact can.",
        )
        size = Estimate(
            noise, "V", 0.8 * noise, 1.2 * noise, "scatter from sample to sample", int(recent.sum())
        )
        level: Severity = "watch" if noise < 0.05 else "act"
        found.append(Diagnosis("sense_lead", j + 1, _since(known, bad[:, j]), 0.93, size, level, evidence))
    partners = {d.cell for d in found}
    return [d for d in found if (d.cell or 0) - 1 not in partners]


def _pairs(known: Readings, limits: Thresholds) -> list[Diagnosis]:
    """Neighbours that deviate by the same amount in opposite directions: they share the tap."""
    error = known.error_v
    found: list[Diagnosis] = []
    for j in range(error.shape[1] - 1):
        half, both = (error[:, j] - error[:, j + 1]) / 2, error[:, j] + error[:, j + 1]
        ok = np.isfinite(half)
        recent = np.flatnonzero(ok)[-RECENT_DAYS:]
        if recent.size < LEAST_DAYS:
            continue
        size = float(np.median(np.abs(half[recent])))
        balance = float(np.median(np.abs(both[recent]))) / max(size, 1e-6)
        least = min(
            float(np.median(np.abs(error[recent, j]))), float(np.median(np.abs(error[recent, j + 1])))
        )
        level = level_of(size, limits["tap_note_v"], limits["tap_watch_v"], np.inf)
        if level is None or balance > BALANCED or least < 0.6 * size:
            continue
        spread = 1.4826 * float(np.median(np.abs(half[recent] - np.median(half[recent]))))
        up, down = (j + 1, j + 2) if float(np.median(half[recent])) > 0 else (j + 2, j + 1)
        bad = ok & (np.abs(half) > 0.6 * size)
        evidence = (
            (
                f"For: cell {up} reads {size * 1e3:.0f} mV too high and its neighbour cell {down} as much "
                f"too "
                f"low, at every "
                f"current, over {recent.size} days; their sum fits to {balance * size * 1e3:.0f} mV."
            ),
            (
                f"For: on the plateau {size * 1e3:.0f} mV would be tens of Ah of charge, which the knees do "
                f"not show."
            ),
        )
        estimate = Estimate(
            size,
            "V",
            size - 1.96 * max(spread, 1e-3),
            size + 1.96 * max(spread, 1e-3),
            "plateau",
            recent.size,
        )
        confidence = min(TOP_CONFIDENCE, 0.75 + 10 * size)
        found.append(Diagnosis("sense_lead", up, _since(known, bad), confidence, estimate, level, evidence))
    found.sort(key=lambda d: -(d.size.value or 0.0))
    return found[:1] if found else []


def _sum_follows(known: Readings, j: int) -> bool:
    """Whether the sum of the cells went wrong by as much as the reading did, where the reading moved at all.

    The pack's own voltage may be off by as much for ever: only what changes together belongs together.
    """
    both = np.isfinite(known.error_v[:, j]) & np.isfinite(known.sum_v)
    error, total = known.error_v[both, j], known.sum_v[both]
    third = error.size // 3
    if third < LEAST_DAYS:
        return True
    moved = float(np.median(error[-third:]) - np.median(error[:third]))
    with_it = float(np.median(total[-third:]) - np.median(total[:third]))
    return abs(moved) < MOVED_V or abs(with_it + moved) < 0.5 * abs(moved)


def _single(known: Readings, limits: Thresholds, found: list[Diagnosis]) -> list[Diagnosis]:
    """One cell that reads wrong by more than charge or resistance can explain."""
    if found:
        return []
    error = known.error_v[-RECENT_DAYS:]
    error = error[np.isfinite(error).all(axis=1)]
    if error.shape[0] < LEAST_DAYS:
        return []
    middle = np.median(error, axis=0)
    j = int(np.argmax(np.abs(middle)))
    level = level_of(abs(float(middle[j])), limits["tap_watch_v"], 2 * limits["tap_watch_v"], np.inf)
    others = np.delete(np.abs(middle), j)
    if level is None or abs(middle[j]) < 4 * float(np.max(others)):
        return []
    total = known.sum_v[np.isfinite(known.sum_v)][-RECENT_DAYS:]
    if not total.size or abs(float(np.median(total)) + float(middle[j])) > 0.4 * abs(float(middle[j])):
        return []  # the pack's own voltage confirms the reading: it is the cell that is so low or high
    if not _sum_follows(known, j):
        return []
    evidence = (
        (
            f"For: cell {j + 1} reads {middle[j] * 1e3:+.0f} mV from the others at every current and state "
            f"of "
            f"charge."
        ),
        "For: the cells no longer add up to the pack's voltage, by the same amount.",
    )
    size = Estimate(
        float(middle[j]), "V", float(middle[j]) - 0.003, float(middle[j]) + 0.003, "plateau", error.shape[0]
    )
    bad = np.abs(known.error_v[:, j]) > 0.6 * abs(float(middle[j]))
    return [Diagnosis("sense_lead", j + 1, _since(known, bad), 0.85, size, level, evidence)]
