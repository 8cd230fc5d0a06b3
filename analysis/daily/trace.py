"""A day's current, kept small: what packs in parallel carried at the same time."""

from __future__ import annotations

import base64
import binascii
import math
import zlib
from dataclasses import dataclass
from statistics import median

import numpy as np

from analysis.day import CleanDay
from analysis.frame import F64

BIN_S = 20.0
STEP_A = 0.1
MISSING = -32768


@dataclass(frozen=True, slots=True)
class TraceDay:
    """Mean currents on a fixed grid since the day's start.

    Attributes
    ----------
    bin_s : float
        Width of a bin; 0 if nothing was kept. [s]
    packed : str
        Differences of the means in steps of 0.1 A, compressed; see `unpack`.
    """

    bin_s: float
    packed: str


NOTHING = TraceDay(0.0, "")


def pack_trace(day: CleanDay) -> TraceDay:
    """Keep the current of a day.

    Parameters
    ----------
    day : CleanDay

    Returns
    -------
    TraceDay
        On a grid of 20 s, or of the sampling period where that is longer.
    """
    frame = day.frame
    if frame.time_s.size < 2:
        return NOTHING
    width = max(BIN_S, math.ceil(day.coverage.period_s / 10) * 10.0)
    edges = np.arange(frame.start_s, frame.end_s + 0.5 * width, width)
    net = np.interp(edges, frame.time_s, day.ah_in - day.ah_out)
    covered = np.diff(np.interp(edges, frame.time_s, day.covered_s))
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(covered > 0.5 * width, np.diff(net) * 3600 / covered, np.nan)
    whole = np.where(np.isfinite(mean), np.round(mean / STEP_A), MISSING).astype("<i2")
    raw = np.diff(whole, prepend=np.int16(0)).astype("<i2").tobytes()
    split = raw[0::2] + raw[1::2]
    return TraceDay(width, base64.b64encode(zlib.compress(split, 6)).decode("ascii"))


def unpack(trace: TraceDay) -> F64:
    """Return the mean currents of a trace, NaN where unknown; empty if nothing was kept. [A]

    Raises
    ------
    ValueError
        If the text is not a trace.
    """
    if trace.bin_s <= 0:
        return np.empty(0)
    try:
        split = zlib.decompress(base64.b64decode(trace.packed))
    except (zlib.error, ValueError, binascii.Error) as error:
        raise ValueError("text does not hold a trace of currents") from error
    half = len(split) // 2
    raw = bytearray(len(split))
    raw[0::2], raw[1::2] = split[:half], split[half:]
    whole = np.cumsum(np.frombuffer(bytes(raw), dtype="<i2"), dtype=np.int16)
    return np.where(whole == MISSING, np.nan, whole * STEP_A)


def step_at(means: F64, trace: TraceDay, since_start_s: float, bins: int = 2) -> float:
    """Return the rise of the current across an instant.

    Parameters
    ----------
    means : array, shape (k,)
        From `unpack`.
    trace : TraceDay
    since_start_s : float
        The instant, since the day's start. [s]
    bins : int
        Bins on each side.

    Returns
    -------
    float
        Median after less median before, the bin of the instant left out; NaN if unknown. [A]
    """
    if means.size == 0 or not math.isfinite(since_start_s):
        return math.nan
    at = int((since_start_s - 2) // trace.bin_s)
    end = int((since_start_s + 4) // trace.bin_s)
    before = [v for v in means[max(at - bins, 0) : max(at, 0)].tolist() if math.isfinite(v)]
    after = [v for v in means[end + 1 : end + 1 + bins].tolist() if math.isfinite(v)]
    return median(after) - median(before) if before and after else math.nan
