"""Signal hygiene: what of a recorded day can be believed, and what was dropped for which reason."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analysis.day import CleanDay, Coverage
from analysis.facts import PackFacts
from analysis.frame import F32, F64, Bool, Frame
from analysis.integrate import sums

CELL_LOW_V, CELL_HIGH_V = 1.0, 4.5
"""A lithium iron phosphate cell in a working pack is never outside. [V] Common practice, no source."""
GAP_PERIODS, GAP_LEAST_S = 5.0, 30.0
"""An interval is a gap when longer than both. Common practice, no source."""
GAPS_KEPT = 20


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
        Which to keep, shape (n,); how many repeat a time; how many step backward.
    """
    n = time_s.size
    keep = np.isfinite(time_s)
    if n == 0 or (keep.all() and bool((np.diff(time_s) > 0).all())):
        return keep, 0, 0
    reached = np.maximum.accumulate(np.where(keep, time_s, -np.inf))
    before = np.concatenate(([-np.inf], reached[:-1]))
    same = keep & (time_s == before)
    back = keep & (time_s < before)
    return keep & ~same & ~back, int(same.sum()), int(back.sum())


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
    keep, same, back = forward_times(frame.time_s)
    dropped = {"duplicate": same, "backward clock": back}
    if not keep.all():
        frame = _take(frame, keep)
    frame, impossible = _possible_cells(frame)
    dropped["impossible cell"] = impossible
    period = typical_period(frame.time_s[frame.lead :])
    limit = gap_limit(period)
    total = sums(frame.time_s, frame.pack_a, _voltage(frame), frame.lead, limit)
    coverage = _coverage(
        frame, total.gap, float(total.covered_s[-1]) if total.dt_s.size else 0.0, period, dropped
    )
    return CleanDay(
        frame,
        facts,
        coverage,
        total.dt_s,
        total.gap,
        total.ah_in,
        total.ah_out,
        total.wh_in,
        total.wh_out,
        total.covered_s,
    )


def _take(frame: Frame, keep: Bool) -> Frame:
    """Return the frame with only the samples in `keep`."""
    return replace(
        frame,
        lead=int(keep[: frame.lead].sum()),
        time_s=frame.time_s[keep],
        pack_v=frame.pack_v[keep],
        pack_a=frame.pack_a[keep],
        cells_v=frame.cells_v[:, keep],
        temps_c=frame.temps_c[:, keep],
        extra={name: values[keep] for name, values in frame.extra.items()},
    )


def _possible_cells(frame: Frame) -> tuple[Frame, int]:
    cells = frame.cells_v
    if cells.size == 0:
        return frame, 0
    with np.errstate(invalid="ignore"):
        bad = (cells < CELL_LOW_V) | (cells > CELL_HIGH_V)
    count = int(bad.sum())
    if count == 0:
        return frame, 0
    return replace(frame, cells_v=np.where(bad, np.float32(np.nan), cells)), count


def _voltage(frame: Frame) -> F32:
    """Pack voltage, or where the pack does not give it the sum of its cells."""
    if frame.n_cells == 0 or bool(np.isfinite(frame.pack_v).all()):
        return frame.pack_v
    total: F32 = np.where(np.isfinite(frame.pack_v), frame.pack_v, frame.cells_v.sum(axis=0))
    return total


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
    kept = tuple(sorted(holes[:GAPS_KEPT]))
    return Coverage(
        length_s=length,
        covered_s=min(covered_s, length),
        n=int(time_s.size) - frame.lead,
        period_s=period_s,
        gaps=kept,
        longest_gap_s=max((b - a for a, b in holes), default=0.0),
        dropped=tuple((reason, count) for reason, count in dropped.items() if count),
    )
