"""The heater's power without a heater bit: the one step in power that keeps turning up where cells warm."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.daily.trace import unpack
from analysis.digest import DayDigest
from analysis.estimate import Estimate, unknown
from analysis.frame import F64, Int
from analysis.history import History

BEFORE_S, AFTER_S = 720.0, 480.0
"""Where a switching is looked for around the time the temperatures give: heat arrives late. [s]"""
SIDE = 3
"""Bins whose median is taken on each side of a step."""
LEAST_W, MOST_W = 25.0, 800.0
TOLERANCE = 0.07
"""How alike two steps are to be the same heater. [1]"""
LEAST_EDGES = 5


def _power(digests: Sequence[DayDigest]) -> tuple[F64, float] | None:
    """Power of all packs together on the grid of their traces [W], and its bin [s]."""
    traces = [d.trace for d in digests]
    width = traces[0].bin_s
    if width <= 0 or width > 60 or any(t.bin_s != width for t in traces):
        return None
    rows = [unpack(t) for t in traces]
    if len({r.size for r in rows}) != 1:
        return None
    volts = [d.heater.mean_v for d in digests if math.isfinite(d.heater.mean_v)]
    total: F64 = np.sum(rows, axis=0) * (float(np.mean(volts)) if volts else 0.0)
    return total, width


def _falls(power: F64) -> F64:
    """Fall of power across each bin, medians of `SIDE` bins on either side. [W]"""
    m = power.size
    out = np.full(m, np.nan)
    if m < 2 * SIDE + 2:
        return out
    wide = np.lib.stride_tricks.sliding_window_view(power, SIDE)
    middle = np.median(wide, axis=1)
    out[SIDE : m - SIDE] = middle[: m - 2 * SIDE] - middle[SIDE + 1 : m - SIDE + 1]
    return out


def _candidates(fall: F64, at: int, sign: int, width: float) -> F64:
    """Sizes of the local maxima of the wanted sign around a bin. [W]"""
    low, high = max(at - round(BEFORE_S / width), 1), min(at + round(AFTER_S / width), fall.size - 1)
    if high - low < 3:
        return np.empty(0)
    part = sign * fall[low - 1 : high + 1]
    inner = part[1:-1]
    with np.errstate(invalid="ignore"):
        peak = (inner >= part[:-2]) & (inner >= part[2:]) & (inner > LEAST_W) & (inner < MOST_W)
    return inner[peak]


def _edges(history: History, others: Sequence[History]) -> list[tuple[F64, F64]]:
    """For each switching: steps of the wanted sign, and of the other sign for comparison."""
    by_day = [{d.day: d for d in other.digests} for other in others]
    out = []
    for own in [d for d in history.digests if d.heater.steps_s][-90:]:
        beside = [days[own.day] for days in by_day if own.day in days]
        made = _power((own, *beside))
        if made is None:
            continue
        power, width = made
        fall = _falls(power)
        for at in own.heater.steps_s:
            sign = 1 if at >= 0 else -1
            where = round(abs(at) / width)
            out.append((_candidates(fall, where, sign, width), _candidates(fall, where, -sign, width)))
    return out


@dataclass(frozen=True, slots=True)
class _Steps:
    """Sizes of all candidates, and which switching each belongs to."""

    watts: F64
    edge: Int

    @classmethod
    def of(cls, rows: list[F64]) -> _Steps:
        sizes = np.array([r.size for r in rows], dtype=np.int64)
        return cls(np.concatenate(rows) if rows else np.empty(0), np.repeat(np.arange(len(rows)), sizes))

    def hits(self, watts: float) -> int:
        """How many switchings show a step of this size."""
        near = np.abs(self.watts - watts) <= TOLERANCE * watts
        return int(np.unique(self.edge[near]).size)


def common_step(history: History, others: Sequence[History] = ()) -> Estimate:
    """Find the step in power common to most switchings.

    Parameters
    ----------
    history : History
        Its switchings are known from the warming of the cells, to within minutes.
    others : sequence of History
        Packs in parallel, whose currents are added.

    Returns
    -------
    Estimate
        [W]; unknown unless half of the switchings, five at least, show it, and twice as many as show such a
        step of the wrong sign.
    """
    pairs = _edges(history, others)
    rows, n = [w for w, _ in pairs], len(pairs)
    wanted, wrong = _Steps.of(rows), _Steps.of([r for _, r in pairs])
    if n < LEAST_EDGES:
        return unknown("W", f"{n} warmings with a record of the current; {LEAST_EDGES} are needed", n=n)
    grid = np.geomspace(LEAST_W / (1 - TOLERANCE), MOST_W * (1 - TOLERANCE), 120)
    gain = np.array([wanted.hits(float(w)) - wrong.hits(float(w)) for w in grid])
    best = float(grid[int(np.argmax(gain))])
    found = np.array(
        [c[np.argmin(np.abs(c - best))] for c in rows if np.any(np.abs(c - best) <= 1.5 * TOLERANCE * best)]
    )
    chance = wrong.hits(best)
    if found.size < max(LEAST_EDGES, 0.5 * n) or wanted.hits(best) < 2 * chance:
        return unknown("W", "no step in current keeps turning up where the cells begin or end to warm", n=n)
    middle = float(np.median(found))
    half = (
        1.96 * 1.2533 * 1.4826 * float(np.median(np.abs(found - middle))) / math.sqrt(found.size)
        + 0.02 * middle
    )
    return Estimate(
        middle, "W", middle - half, middle + half, f"a step common to {found.size} of {n} warmings", n
    )
