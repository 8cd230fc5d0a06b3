"""Signal hygiene: what of a recorded day can be believed, and what was dropped for which reason."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analysis.daily.integrate import sums
from analysis.daily.spikes import cell_spikes, current_spikes, temperature_spikes, voltage_spikes
from analysis.daily.stuck import stuck_samples
from analysis.day import CleanDay, Coverage
from analysis.facts import PackFacts
from analysis.frame import F32, F64, Bool, Frame

CELL_LOW_V, CELL_HIGH_V = 1.0, 4.5
"""A lithium iron phosphate cell in a working pack is never outside. [V] Common practice, no source."""
MOST_C, MOST_LEAST_A = 4.0, 300.0
"""A current above the larger of both cannot be. [C], [A] Common practice, no source."""
GAP_PERIODS, GAP_LEAST_S = 5.0, 30.0
"""An interval is a gap when longer than both. [periods], [s] Common practice, no source."""
GAPS_KEPT = 20
NAN = np.float32(np.nan)


def clean(frame: Frame, facts: PackFacts) -> CleanDay:
    """Make a recorded day usable.

    Parameters
    ----------
    frame : Frame
        As recorded, any length including 0, NaN anywhere.
    facts : PackFacts

    Returns
    -------
    CleanDay
        The day without the samples and values that cannot be right, and with its running sums.
    """
    dropped: dict[str, int] = {}
    frame = _forward(frame, dropped)
    frame = _possible(frame, facts, dropped)
    frame = _moving(frame, facts, dropped)
    frame = _smooth(frame, facts, dropped)
    period = typical_period(frame.time_s[frame.lead :])
    limit = gap_limit(period)
    total = sums(frame.time_s, frame.pack_a, _voltage(frame), frame.lead, limit)
    covered = float(total.covered_s[-1]) if total.dt_s.size else 0.0
    return CleanDay(
        frame,
        facts,
        _coverage(frame, total.gap, covered, period, dropped),
        total.dt_s,
        total.gap,
        total.ah_in,
        total.ah_out,
        total.wh_in,
        total.wh_out,
        total.covered_s,
    )


def typical_period(time_s: F64) -> float:
    """Typical interval between samples: the median. 0 for fewer than two samples. [s]"""
    if time_s.size < 2:  # no interval
        return 0.0
    return float(np.median(np.diff(time_s)))


def gap_limit(period_s: float) -> float:
    """Longest interval that is still bridged, following the sampling period. [s]"""
    return max(GAP_PERIODS * period_s, GAP_LEAST_S)


def forward_times(time_s: F64) -> tuple[Bool, int, int]:
    """Keep the samples whose time lies after every time before them.

    Returns
    -------
    (array, int, int)
        Which to keep, shape (n,); how many repeat a time; how many step backward or have none.
    """
    keep = np.isfinite(time_s)
    if time_s.size == 0 or (keep.all() and bool((np.diff(time_s) > 0).all())):
        return keep, 0, 0
    reached = np.maximum.accumulate(np.where(keep, time_s, -np.inf))
    before = np.concatenate(([-np.inf], reached[:-1]))
    same = keep & (time_s == before)
    back = ~keep | (time_s < before)
    return keep & ~same & ~back, int(same.sum()), int(back.sum())


def _forward(frame: Frame, dropped: dict[str, int]) -> Frame:
    keep, dropped["duplicate"], dropped["backward clock"] = forward_times(frame.time_s)
    return frame if keep.all() else frame.only(keep)


def _without(values: F32, bad: Bool) -> F32:
    """Return the values with NaN where they are bad; the same array if nothing is."""
    return np.where(bad, NAN, values) if bad.any() else values


def _possible(frame: Frame, facts: PackFacts, dropped: dict[str, int]) -> Frame:
    """Drop values that no working pack has."""
    cells = max(frame.n_cells, facts.n_cells, 1)
    most = max(MOST_C * facts.rated_ah, MOST_LEAST_A)
    with np.errstate(invalid="ignore"):
        bad_cells = (frame.cells_v < CELL_LOW_V) | (frame.cells_v > CELL_HIGH_V)
        bad_a = np.abs(frame.pack_a) > most
        bad_v = (frame.pack_v < CELL_LOW_V) | (frame.pack_v > CELL_HIGH_V * cells)
    dropped["impossible cell"] = int(bad_cells.sum())
    dropped["impossible current"] = int(bad_a.sum())
    dropped["impossible voltage"] = int(bad_v.sum())
    return replace(
        frame,
        cells_v=_without(frame.cells_v, bad_cells),
        pack_a=_without(frame.pack_a, bad_a),
        pack_v=_without(frame.pack_v, bad_v),
    )


def _moving(frame: Frame, facts: PackFacts, dropped: dict[str, int]) -> Frame:
    """Take out samples that only repeat an older one, and cells that do while the current moves on."""
    stuck, old_cells = stuck_samples(frame, facts.rated_ah)
    dropped["stuck"], dropped["stuck cells"] = int(stuck.sum()), int(old_cells.sum())
    if old_cells.any():
        frame = replace(frame, cells_v=_without(frame.cells_v, old_cells[None, :]))
    return frame.only(~stuck) if stuck.any() else frame


def _smooth(frame: Frame, facts: PackFacts, dropped: dict[str, int]) -> Frame:
    """Drop values that stand alone."""
    rated, cells = facts.rated_ah, max(frame.n_cells, facts.n_cells, 1)
    bad_a = current_spikes(frame.pack_a, frame.pack_v, rated, cells)
    current = _without(frame.pack_a, bad_a)
    bad_v = voltage_spikes(frame.pack_v, current, rated, cells)
    cell, at = cell_spikes(frame.cells_v, current, rated)
    bad_t = temperature_spikes(frame.temps_c)
    dropped["current spike"], dropped["voltage spike"] = int(bad_a.sum()), int(bad_v.sum())
    dropped["cell spike"], dropped["temperature spike"] = int(cell.size), int(bad_t.sum())
    cells_v = frame.cells_v
    if cell.size:
        cells_v = cells_v.copy()
        cells_v[cell, at] = NAN
    return replace(
        frame,
        pack_a=current,
        pack_v=_without(frame.pack_v, bad_v),
        cells_v=cells_v,
        temps_c=_without(frame.temps_c, bad_t),
    )


def _voltage(frame: Frame) -> F32:
    """Pack voltage, or where the pack does not give it the sum of its cells."""
    known = np.isfinite(frame.pack_v)
    if frame.n_cells == 0 or bool(known.all()):
        return frame.pack_v
    out: F32 = frame.pack_v.copy()
    out[~known] = frame.cells_v[:, ~known].sum(axis=0)
    return out


def _coverage(
    frame: Frame, gap: Bool, covered_s: float, period_s: float, dropped: dict[str, int]
) -> Coverage:
    """Describe what is missing, with the time before the first and after the last sample."""
    start, end, time_s = float(frame.start_s), float(frame.end_s), frame.time_s
    length = end - start
    holes = [(float(time_s[i - 1]), float(time_s[i])) for i in np.nonzero(gap)[0]]
    limit = gap_limit(period_s)
    if time_s.size == 0:
        holes.append((start, end))
    else:
        if time_s[0] - start > limit:
            holes.append((start, float(time_s[0])))
        if end - time_s[-1] > limit:
            holes.append((float(time_s[-1]), end))
    holes = [(max(a, start), min(b, end)) for a, b in holes if b > start and a < end]
    holes.sort(key=lambda hole: hole[0] - hole[1])
    return Coverage(
        length_s=length,
        covered_s=min(covered_s, length),
        n=int(time_s.size) - frame.lead,
        period_s=period_s,
        gaps=tuple(sorted(holes[:GAPS_KEPT])),
        longest_gap_s=max((b - a for a, b in holes), default=0.0),
        dropped=tuple((reason, count) for reason, count in dropped.items() if count),
    )
