"""What bad telemetry does to good readings: sensor errors, gaps, frozen frames, glitches, clock jumps.

Pure functions of a table of stored integers, a `Mess` and a seed. The order is that of a real chain: sensor,
electronics, bus, logger, clock.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from adapters.channels import CATALOGUE, WITNESS_CATALOGUE, encode

Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Mess:
    """How bad the telemetry is; the defaults change nothing.

    Attributes
    ----------
    gain, offset_a, dead_band_a, step_a : float
        Current: factor, added, shown as zero below, resolution. [1], [A]
    cell_step_v : float
        Resolution of the cells. [V]
    skew_s : float
        The current is this much older than the voltages. [s]
    period_s, jitter_s : float
        Interval of the readings (0 keeps the table's) and its spread. [s]
    gaps_a_day, gap_s : float
        Gaps a day and their mean length. [s]
    stuck_a_day, stuck_s : float
        How often and how long a frame repeats itself. [s]
    doubled : float
        Part of the readings that come twice, a moment apart.
    glitches_a_day : float
        Single values that a register got wrong.
    jumps_a_day, jump_s : float
        How often the logger's clock is wrong for a while, and by how much. [s]
    absent : tuple of str
        Channels that the pack does not give.
    """

    gain: float = 1.0
    offset_a: float = 0.0
    dead_band_a: float = 0.0
    step_a: float = 0.0
    cell_step_v: float = 0.0
    skew_s: float = 0.0
    period_s: float = 0.0
    jitter_s: float = 0.0
    gaps_a_day: float = 0.0
    gap_s: float = 900.0
    stuck_a_day: float = 0.0
    stuck_s: float = 120.0
    doubled: float = 0.0
    glitches_a_day: float = 0.0
    jumps_a_day: float = 0.0
    jump_s: float = 40.0
    absent: tuple[str, ...] = ()


CLEAN = Mess()
TYPICAL = Mess(
    gain=1.008,
    offset_a=0.08,
    dead_band_a=0.2,
    skew_s=1.0,
    jitter_s=0.2,
    gaps_a_day=2.0,
    stuck_a_day=1.0,
    doubled=0.002,
    glitches_a_day=4.0,
    jumps_a_day=0.3,
)
"""A pack as one meets it."""
ROUGH = Mess(
    gain=0.99,
    offset_a=-0.2,
    dead_band_a=0.5,
    step_a=0.1,
    cell_step_v=0.002,
    skew_s=5.0,
    period_s=30.0,
    jitter_s=3.0,
    gaps_a_day=5.0,
    gap_s=1800.0,
    stuck_a_day=3.0,
    stuck_s=400.0,
    doubled=0.01,
    glitches_a_day=12.0,
    jumps_a_day=1.0,
    absent=("heater_on", "balancing", "balancing_cells", "remaining_ah", "full_ah"),
)
"""A pack that makes one doubt everything."""


def messy(table: pa.Table, mess: Mess, seed: tuple[int, ...]) -> pa.Table:
    """Return what arrives of a table.

    Parameters
    ----------
    table : pyarrow.Table
        One subject's readings: `time_ms` and stored integers.
    mess : Mess
        What goes wrong.
    seed : tuple of int
        Equal seeds give equal results; include the day.

    Returns
    -------
    pyarrow.Table
        Sorted by time; times may repeat.
    """
    rng = np.random.default_rng(list(seed))
    columns = {name: _values(table, name) for name in table.column_names if name not in mess.absent}
    time_ms, columns = _sampled(columns.pop("time_ms")[0], columns, mess, rng)
    _sensor(columns, mess)
    _glitches(columns, mess, rng, time_ms)
    keep = _stuck_and_gaps(columns, mess, rng, time_ms)
    index = np.flatnonzero(keep)
    twice = index[rng.random(len(index)) < mess.doubled]
    index = np.sort(np.concatenate([index, twice]))
    time_ms = time_ms[index].copy()
    again = np.flatnonzero(np.diff(index) == 0) + 1
    time_ms[again] += rng.integers(0, 3, len(again)) * 20
    time_ms = _clock(time_ms, mess, rng)
    order = np.argsort(time_ms, kind="stable")
    out = {"time_ms": pa.array(time_ms[order])}
    for name, (values, mask) in columns.items():
        kept = values[index][order].astype(np.int64 if _is_bits(name) else np.int32)
        out[name] = pa.array(kept, mask=mask[index][order] if mask.any() else None)
    return pa.table(out)


def _is_bits(name: str) -> bool:
    return name in CATALOGUE and CATALOGUE[name].kind == "bits"


def _values(table: pa.Table, name: str) -> tuple[Ints, NDArray[np.bool_]]:
    column = table[name].combine_chunks()
    mask = np.asarray(column.is_null().to_numpy(zero_copy_only=False))
    values = column.fill_null(0).to_numpy(zero_copy_only=False).astype(np.int64)
    return values, mask


Columns = dict[str, tuple[Ints, NDArray[np.bool_]]]


def _sampled(time_ms: Ints, columns: Columns, mess: Mess, rng: np.random.Generator) -> tuple[Ints, Columns]:
    """Take every n-th reading, not quite on time."""
    if len(time_ms) < 2:
        return time_ms, columns
    own_s = (time_ms[1] - time_ms[0]) / 1000
    every = max(1, round(mess.period_s / own_s)) if mess.period_s else 1
    shifted = round(mess.skew_s / own_s)
    if shifted and "pack_a" in columns:
        values, mask = columns["pack_a"]
        columns["pack_a"] = (np.concatenate([np.repeat(values[:1], shifted), values[:-shifted]]), mask)
    at = np.arange(0, len(time_ms), every)
    if mess.jitter_s and every > 1:
        wander = np.rint(mess.jitter_s / own_s * rng.standard_normal(len(at))).astype(np.int64)
        at = np.clip(at + np.clip(wander, -every // 2 + 1, every // 2 - 1), 0, len(time_ms) - 1)
    taken = {name: (v[at], m[at]) for name, (v, m) in columns.items()}
    spread = (
        np.zeros(len(at)) if not mess.jitter_s else rng.uniform(0, 0.4 * min(1.0, mess.jitter_s), len(at))
    )
    return time_ms[at] + (1000 * spread).astype(np.int64), taken


def _sensor(columns: Columns, mess: Mess) -> None:
    for name in ("pack_a", "dc_a"):
        if name in columns:
            scale = (CATALOGUE | WITNESS_CATALOGUE)[name].scale
            values, mask = columns[name]
            amps = values * scale * mess.gain + mess.offset_a
            amps = np.where(np.abs(amps) < mess.dead_band_a, 0.0, amps)
            step = mess.step_a or scale
            columns[name] = (np.rint(np.rint(amps / step) * step / scale).astype(np.int64), mask)
    if mess.cell_step_v:
        step_mv = round(mess.cell_step_v * 1000)
        for name in [n for n in columns if n.startswith("cell_")]:
            values, mask = columns[name]
            columns[name] = (step_mv * np.rint(values / step_mv).astype(np.int64), mask)


def _glitches(columns: Columns, mess: Mess, rng: np.random.Generator, time_ms: Ints) -> None:
    """Put wrong values into single registers: swapped bytes, a lost bit, full scale; absent if impossible."""
    names = [n for n in columns if n.startswith(("cell_", "pack_", "temp_", "soc", "dc_"))]
    for _ in range(_count(mess.glitches_a_day, time_ms, rng)):
        name, at = names[int(rng.integers(len(names)))], int(rng.integers(len(time_ms)))
        values, mask = columns[name]
        raw = int(values[at]) & 0xFFFF
        wrong = (raw >> 8 | (raw & 0xFF) << 8, raw ^ 1 << int(rng.integers(6, 14)), 32767, 0)[
            int(rng.integers(4))
        ]
        wrong = wrong - 65536 if wrong > 32767 and name in ("pack_a", "dc_a") else wrong
        channel = (CATALOGUE | WITNESS_CATALOGUE)[name]
        stored = encode(channel, wrong * channel.scale)
        values[at], mask[at] = (0, True) if stored is None else (stored, mask[at])


def _stuck_and_gaps(
    columns: Columns, mess: Mess, rng: np.random.Generator, time_ms: Ints
) -> NDArray[np.bool_]:
    """Freeze frames in place; return which readings arrive at all."""
    for _ in range(_count(mess.stuck_a_day, time_ms, rng)):
        start, stop = _stretch(mess.stuck_s, time_ms, rng)
        for values, mask in columns.values():
            values[start:stop] = values[start]
            mask[start:stop] = mask[start]
    keep = np.ones(len(time_ms), dtype=bool)
    for _ in range(_count(mess.gaps_a_day, time_ms, rng)):
        start, stop = _stretch(mess.gap_s, time_ms, rng)
        keep[start:stop] = False
    return keep


def _clock(time_ms: Ints, mess: Mess, rng: np.random.Generator) -> Ints:
    """Set the clock wrong for about an hour at a time."""
    out = time_ms.copy()
    for _ in range(_count(mess.jumps_a_day, time_ms, rng)):
        start, stop = _stretch(3600.0, time_ms, rng)
        out[start:stop] += round(1000 * mess.jump_s * float(rng.standard_normal()))
    return out


def _count(a_day: float, time_ms: Ints, rng: np.random.Generator) -> int:
    if len(time_ms) < 2 or a_day <= 0:
        return 0
    return int(rng.poisson(a_day * (time_ms[-1] - time_ms[0]) / 86_400_000))


def _stretch(mean_s: float, time_ms: Ints, rng: np.random.Generator) -> tuple[int, int]:
    """First and one past the last reading of a random stretch of exponential length."""
    start = int(rng.integers(len(time_ms)))
    stop = int(np.searchsorted(time_ms, time_ms[start] + 1000 * rng.exponential(mean_s)))
    return start, max(start + 1, stop)
