"""Runs of charge, discharge and rest, with the counters at their ends."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from analysis.daily.thin import Thin, thin
from analysis.day import CleanDay, Mark
from analysis.frame import Int

Kind = Literal["charge", "discharge", "rest"]
KINDS: dict[int, Kind] = {1: "charge", -1: "discharge", 0: "rest"}

REST_C, REST_LEAST_A = 0.005, 0.3
"""A pack rests below the larger of the two. [C], [A] Common practice, no source."""
SHORTEST_S = 600.0
"""What is shorter belongs to the run around it. [s] Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Run:
    """A time in which a pack did one thing.

    Attributes
    ----------
    kind : {"charge", "discharge", "rest"}
    start, end : Mark
        Counters at its ends, of the day in which each lies.
    open_start, open_end : bool
        Whether it was cut by midnight, a gap or the end of the record, and not by the pack.
    mean_a : float
        Mean current, positive while charging. [A]
    """

    kind: Kind
    start: Mark
    end: Mark
    open_start: bool
    open_end: bool
    mean_a: float


def rest_current(rated_ah: float) -> float:
    """Current below which a pack rests. [A]"""
    return max(REST_C * rated_ah, REST_LEAST_A)


def observe_runs(day: CleanDay, view: Thin | None = None) -> tuple[Run, ...]:
    """Find the runs of a day.

    Parameters
    ----------
    day : CleanDay
    view : Thin, optional
        The thinned day, if it is made already.

    Returns
    -------
    tuple of Run
        In order; nothing where the record has gaps. Empty for fewer than two samples.
    """
    view = thin(day) if view is None else view
    if view.index.size < 2:  # no interval
        return ()
    limit = rest_current(day.facts.rated_ah)
    known = np.isfinite(view.mean_a[1:])
    state = np.where(view.mean_a[1:] > limit, 1, np.where(view.mean_a[1:] < -limit, -1, 0))
    state = np.where(known, state, 9)
    pieces = _merge_short(_pieces(state), view)
    return tuple(_run(day, view, *piece) for piece in pieces if piece[2] != 9)


def _pieces(state: Int) -> list[tuple[int, int, int]]:
    """(first interval, interval after the last, state) of each stretch of one state."""
    edges = np.nonzero(np.diff(state))[0] + 1
    starts = np.concatenate(([0], edges))
    ends = np.concatenate((edges, [state.size]))
    return [(int(a), int(b), int(state[a])) for a, b in zip(starts, ends, strict=True)]


def _merge_short(pieces: list[tuple[int, int, int]], view: Thin) -> list[tuple[int, int, int]]:
    """Let what is shorter than `SHORTEST_S` take the state of the run before it."""
    merged: list[tuple[int, int, int]] = []
    for a, b, state in pieces:
        short = view.time_s[b] - view.time_s[a] < SHORTEST_S
        if merged and state != 9 and merged[-1][2] != 9 and (short or merged[-1][2] == state):
            merged[-1] = (merged[-1][0], b, merged[-1][2])
        else:
            merged.append((a, b, state))
    return merged


def _run(day: CleanDay, view: Thin, a: int, b: int, state: int) -> Run:
    start, end = day.mark(int(view.index[a])), day.mark(int(view.index[b]))
    covered = end.covered_s - start.covered_s
    last = view.index.size - 1
    open_start = a == 0 or not np.isfinite(view.mean_a[a])
    open_end = b == last or not np.isfinite(view.mean_a[b + 1])
    mean_a = (end.ah - start.ah) * 3600 / covered if covered > 0 else 0.0
    return Run(KINDS[state], start, end, bool(open_start), bool(open_end), mean_a)


def stitched(first: Run, second: Run) -> Run:
    """Join two runs of one kind whose counters already run on from one to the other."""
    covered = second.end.covered_s - first.start.covered_s
    mean_a = (second.end.ah - first.start.ah) * 3600 / covered if covered > 0 else 0.0
    return replace(first, end=second.end, open_end=second.open_end, mean_a=mean_a)
