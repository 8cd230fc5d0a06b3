"""Pieces of curve and steps placed on one axis: charge counted from the full charge next to them."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, replace

import numpy as np

from analysis.daily.ocv import Direction, Fragment, StepKind
from analysis.day import Mark
from analysis.frame import F64
from analysis.history import History, PlacedAnchor, span
from analysis.once import once
from analysis.packs.capacity import FULL_SOC, HIDDEN
from analysis.packs.closure import Zero
from analysis.packs.heater_path import past_sensor

NEAR_S = 48 * 3600.0
"""No further from the full charge. [s] Practice, no source: the sensor's zero adds up."""
SURE = ("taper", "low taper", "limit")
"""Full anchors that are sure enough for a place on the curve."""
BELOW: dict[StepKind, tuple[float, float]] = {"upper": (0.15, 0.50), "lower": (0.60, 0.90)}
"""Where below full a step is believed, of the rated charge. [1] Practice, no source."""
MIDNIGHT_S = 1800.0
"""A piece that begins so soon after midnight may go on from the day before. [s]"""


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """A piece of curve.

    Attributes
    ----------
    day : str
    time_s : float
        Its start. [s]
    direction : {"charge", "discharge"}
    charge_ah : array, shape (k,)
        Charge above full, so negative; rising. [Ah]
    volts : array, shape (k,)
        [V]
    cells_ah : tuple of float
        As in `Fragment`.
    hours : float
        From full to its middle. [h]
    full_u : float
        Standard uncertainty of "full". [1]
    """

    day: str
    time_s: float
    direction: Direction
    charge_ah: F64
    volts: F64
    cells_ah: tuple[float, ...]
    hours: float
    full_u: float


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Where a step was passed, in order of time.

    Attributes
    ----------
    days : tuple of str
    time_s, below_ah, u_ah : array, shape (n,)
        Instant [s], charge below full, and standard uncertainty of the fit. [Ah]
    hours : array, shape (n,)
        Between full and the step. [h]
    full_u : array, shape (n,)
        Standard uncertainty of "full". [1]
    """

    days: tuple[str, ...]
    time_s: F64
    below_ah: F64
    u_ah: F64
    hours: F64
    full_u: F64

    @property
    def span_days(self) -> float:
        """From the first to the last. [d]"""
        return float(self.time_s[-1] - self.time_s[0]) / 86400 if self.time_s.size > 1 else 0.0

    def and_earlier(self, other: Places) -> Places:
        """Put those of another before these, as far as they lie a day before the first."""
        first = float(self.time_s[0]) - 86400 if self.time_s.size else np.inf
        keep = other.time_s < first
        names = ("time_s", "below_ah", "u_ah", "hours", "full_u")
        joined = [np.concatenate((getattr(other, n)[keep], getattr(self, n))) for n in names]
        days = tuple(d for d, k in zip(other.days, keep, strict=True) if k)
        return Places((*days, *self.days), *joined)


class _Full:
    """The full charge next to an instant, found fast."""

    def __init__(self, history: History) -> None:
        self._history = history
        self._anchors = [a for a in history.anchors("full") if a.anchor.quality in SURE]
        self._times = [a.mark.time_s for a in self._anchors]
        rated = history.facts.rated_ah
        self._hidden_ah = HIDDEN * rated
        self._past = [ah + u for ah, u in past_sensor(history)]

    def next_to(self, mark: Mark, index: int, direction: Direction) -> PlacedAnchor | None:
        """Before a discharge, after a charge; None if too far, or if gaps or heaters may hide charge."""
        at = bisect_right(self._times, mark.time_s) - (direction == "discharge")
        if not 0 <= at < len(self._anchors):
            return None
        anchor = self._anchors[at]
        a, b = (anchor.mark, mark) if direction == "discharge" else (mark, anchor.mark)
        moved = span(a, b)
        if moved.elapsed_s > NEAR_S or moved.covered_s <= 0:
            return None
        hidden = moved.uncovered_s * (moved.ah_in + moved.ah_out) / moved.covered_s
        first, last = sorted((anchor.index, index))
        past = sum(self._past[first : last + 1])
        return None if hidden + past > self._hidden_ah else anchor


@once
def _full(history: History) -> _Full:
    return _Full(history)


def _missing(anchor: PlacedAnchor, history: History) -> tuple[float, float]:
    """Charge by which a full anchor lies below full [Ah], and its uncertainty. [1]"""
    soc, u = FULL_SOC[anchor.anchor.quality]
    return (1 - soc) * history.facts.rated_ah, u


def step_places(history: History, zero: Zero, kind: StepKind, direction: Direction) -> Places:
    """Place the steps that were seen within single days.

    Parameters
    ----------
    history : History
    zero : Zero
        Zero error of the current sensor, taken out.
    kind : {"upper", "lower"}
    direction : {"charge", "discharge"}

    Returns
    -------
    Places
    """
    full = _full(history)
    rows: list[tuple[float, float, float, float, float]] = []
    days = []
    for index, digest in enumerate(history.digests):
        for step in digest.graphite.steps:
            if step.kind != kind or step.direction != direction:
                continue
            mark = history.at(index, step.mark)
            anchor = full.next_to(mark, index, direction)
            if anchor is None:
                continue
            hours = (mark.time_s - anchor.mark.time_s) / 3600
            passed = mark.ah + step.charge_ah - step.mark.ah
            less, full_u = _missing(anchor, history)
            below = anchor.mark.ah - passed + zero.offset_a * hours + less
            if BELOW[kind][0] < below / history.facts.rated_ah < BELOW[kind][1]:
                rows.append((mark.time_s, below, step.u_ah, hours, full_u))
                days.append(digest.day)
    table = np.array(rows).reshape(-1, 5)
    order = np.argsort(table[:, 0], kind="stable")
    return Places(tuple(days[i] for i in order), *table[order].T)


def pieces(history: History, zero: Zero) -> tuple[Piece, ...]:
    """Place all pieces of curve; those that midnight cut are joined.

    Parameters
    ----------
    history : History
    zero : Zero
        Zero error of the current sensor, taken out.

    Returns
    -------
    tuple of Piece
        In order of time; without those that have no full charge next to them.
    """
    full = _full(history)
    out: list[Piece] = []
    for index, digest in enumerate(history.digests):
        for fragment in sorted(digest.fragments, key=lambda f: f.mark.time_s):
            mark = history.at(index, fragment.mark)
            anchor = full.next_to(mark, index, fragment.direction)
            if anchor is None:
                continue
            piece = _piece(history, fragment, mark, anchor, digest.day, zero)
            early = mark.time_s - digest.start_s <= MIDNIGHT_S
            if early and out and _goes_on(out[-1], piece, fragment.bin_ah):
                out[-1] = _join(out[-1], piece)
            else:
                out.append(piece)
    return tuple(out)


def _piece(
    history: History, fragment: Fragment, mark: Mark, anchor: PlacedAnchor, day: str, zero: Zero
) -> Piece:
    volts = np.array(fragment.volts)
    known = np.isfinite(volts)
    own = fragment.first_ah + (np.arange(volts.size) + 0.5) * fragment.bin_ah
    begin = fragment.mark.ah
    mean = fragment.mean_a if abs(fragment.mean_a) > 0 else 1.0
    hours = (mark.time_s - anchor.mark.time_s) / 3600 + (own - begin) / mean
    less, full_u = _missing(anchor, history)
    charge = own + (mark.ah - begin) - anchor.mark.ah - zero.offset_a * hours - less
    return Piece(
        day,
        mark.time_s,
        fragment.direction,
        charge[known],
        volts[known],
        fragment.cells_ah,
        float(np.mean(hours)),
        full_u,
    )


def _goes_on(before: Piece, after: Piece, bin_ah: float) -> bool:
    """Whether a piece begins where the one before it ended."""
    if before.direction != after.direction or not 0 < after.time_s - before.time_s < NEAR_S:
        return False
    if not before.charge_ah.size or not after.charge_ah.size:
        return False
    falling = after.direction == "discharge"
    gap = before.charge_ah[0] - after.charge_ah[-1] if falling else after.charge_ah[0] - before.charge_ah[-1]
    return bool(-1.5 * bin_ah < gap < 2.5 * bin_ah)


def _join(before: Piece, after: Piece) -> Piece:
    """One piece of two; the bin that both have is taken from the first."""
    charge = np.concatenate((before.charge_ah, after.charge_ah))
    volts = np.concatenate((before.volts, after.volts))
    order = np.argsort(charge, kind="stable")
    charge, volts = charge[order], volts[order]
    keep = np.concatenate(([True], np.diff(charge) > 0.2 * float(np.median(np.diff(charge)))))
    return replace(
        before,
        charge_ah=charge[keep],
        volts=volts[keep],
        cells_ah=before.cells_ah or after.cells_ah,
        hours=0.5 * (before.hours + after.hours),
    )
