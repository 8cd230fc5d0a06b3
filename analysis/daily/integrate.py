"""Charge and energy by trapezoid, each direction apart, never across a gap."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.frame import F32, F64, Bool

SECONDS_PER_HOUR = 3600.0


@dataclass(frozen=True, slots=True)
class Sums:
    """Running sums at every sample; the interval that ends at a sample is counted at that sample.

    Attributes
    ----------
    dt_s : array, shape (n,)
        Interval from the sample before; 0 for the first sample and across a gap. [s]
    gap : array, shape (n,)
        True where a gap lies between this sample and the one before.
    ah_in, ah_out, wh_in, wh_out : array, shape (n,)
        Running sums, all ≥ 0; energy is NaN when no voltage is known at all. [Ah], [Wh]
    covered_s : array, shape (n,)
        Running covered time. [s]
    """

    dt_s: F64
    gap: Bool
    ah_in: F64
    ah_out: F64
    wh_in: F64
    wh_out: F64
    covered_s: F64


def filled(time_s: F64, values: F32 | F64) -> tuple[F64, Bool]:
    """Bridge missing values by straight lines.

    Parameters
    ----------
    time_s : array, shape (n,)
        Strictly increasing. [s]
    values : array, shape (n,)
        May hold NaN.

    Returns
    -------
    (array, array), shapes (n,)
        The values with every NaN replaced (ends held; all zero if nothing is valid), and where they
        were valid.
    """
    out = values.astype(np.float64)
    valid = np.isfinite(out)
    if valid.all():
        return out, valid
    if not valid.any():
        return np.zeros_like(out), valid
    out[~valid] = np.interp(time_s[~valid], time_s[valid], out[valid])
    return out, valid


def split_trapezoid(y: F64, dt: F64) -> tuple[F64, F64]:
    """Integrate a line between samples, its positive and negative part apart.

    A line that changes sign is split where it crosses zero, so that in minus out is exactly the
    trapezoid and neither is counted twice.

    Parameters
    ----------
    y : array, shape (n,)
        Values at the samples.
    dt : array, shape (n,)
        Interval before each sample; `dt[0]` is ignored. [s]

    Returns
    -------
    (array, array), shapes (n,)
        Positive and negative part of each interval, both ≥ 0, 0 for the first sample. [y × s]
    """
    n = y.size
    pos = np.zeros(n)
    neg = np.zeros(n)
    if n < 2:  # no interval to integrate
        return pos, neg
    a, b, h = y[:-1], y[1:], dt[1:]
    area = 0.5 * (a + b) * h
    crossing = (a * b) < 0
    pos[1:] = np.maximum(area, 0.0)
    neg[1:] = np.maximum(-area, 0.0)
    where = np.nonzero(crossing)[0]
    if where.size:
        ac, bc, hc = a[where], b[where], h[where]
        top = np.maximum(ac, bc)
        span = np.abs(ac) + np.abs(bc)
        up = 0.5 * hc * top * top / span
        pos[1 + where] = up
        neg[1 + where] = up - area[where]
    return pos, neg


def gaps(time_s: F64, usable: Bool, limit_s: float) -> tuple[F64, Bool]:
    """Find the intervals that may be integrated.

    Parameters
    ----------
    time_s : array, shape (n,)
        Strictly increasing. [s]
    usable : array, shape (n,)
        Where the current is known.
    limit_s : float
        The longest interval between two known currents that is bridged. [s]

    Returns
    -------
    (array, array), shapes (n,)
        Interval before each sample, 0 across a gap [s], and where a gap lies before the sample.
    """
    n = time_s.size
    dt = np.zeros(n)
    gap = np.zeros(n, dtype=bool)
    if n < 2:  # no interval
        return dt, gap
    dt[1:] = np.diff(time_s)
    if usable.all():
        gap[1:] = dt[1:] > limit_s
    else:
        index = np.arange(n)
        before = np.maximum.accumulate(np.where(usable, index, -1))
        after = np.minimum.accumulate(np.where(usable, index, n)[::-1])[::-1]
        left = before[:-1]
        right = after[1:]
        inside = (left >= 0) & (right < n)
        hole = np.full(n - 1, np.inf)
        hole[inside] = time_s[right[inside]] - time_s[left[inside]]
        gap[1:] = hole > limit_s
    dt[gap] = 0.0
    return dt, gap


def sums(time_s: F64, current_a: F32, voltage_v: F32, lead: int, limit_s: float) -> Sums:
    """Integrate a day.

    Parameters
    ----------
    time_s : array, shape (n,)
        Strictly increasing. [s]
    current_a : array, shape (n,)
        Positive while charging; NaN where unknown. [A]
    voltage_v : array, shape (n,)
        NaN where unknown. [V]
    lead : int
        Samples before the day. Their sums are 0; the interval from the last of them to the first
        sample of the day belongs to the day, so that days add up to the whole.
    limit_s : float
        The longest interval that is bridged. [s]

    Returns
    -------
    Sums
    """
    current, known = filled(time_s, current_a)
    dt, gap = gaps(time_s, known, limit_s)
    counted = dt.copy()
    counted[: max(lead, 1)] = 0.0
    q_in, q_out = split_trapezoid(current, counted)
    voltage, any_v = filled(time_s, voltage_v)
    e_in, e_out = split_trapezoid(current * voltage, counted)
    wh_in, wh_out = (np.cumsum(e) / SECONDS_PER_HOUR for e in (e_in, e_out))
    if not any_v.any():
        wh_in, wh_out = np.full_like(wh_in, np.nan), np.full_like(wh_out, np.nan)
    return Sums(
        dt,
        gap,
        np.cumsum(q_in) / SECONDS_PER_HOUR,
        np.cumsum(q_out) / SECONDS_PER_HOUR,
        wh_in,
        wh_out,
        np.cumsum(counted),
    )
