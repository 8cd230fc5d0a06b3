"""A day's table becomes the arrays the analysis reads; here stored integers become numbers."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pyarrow as pa

from adapters.channels import CATALOGUE, MAX_CELLS, MAX_TEMPS, WITNESS_CATALOGUE, cell_name, temp_name
from analysis.frame import F32, F64, Frame, WitnessFrame

_ROWS = (
    {"time_ms", "provisional", "pack_v", "pack_a"}
    | {cell_name(i) for i in range(1, MAX_CELLS + 1)}
    | {temp_name(i) for i in range(1, MAX_TEMPS + 1)}
)


def to_frame(
    pack: str, day: str, bounds_s: tuple[float, float], table: pa.Table, lead: pa.Table | None = None
) -> Frame:
    """Return a day of a pack as arrays.

    Parameters
    ----------
    pack, day : str
        Name and local date.
    bounds_s : (float, float)
        The day's two midnights, UTC epoch seconds. [s]
    table : pyarrow.Table
        The day, tidy.
    lead : pyarrow.Table, optional
        The end of the day before, tidy.

    Returns
    -------
    Frame
        Cells and temperatures up to the highest number the pack gave that day.
    """
    parts = [table] if lead is None or lead.num_rows == 0 else [lead, table]
    time_s = np.concatenate([p.column("time_ms").to_numpy() for p in parts]) / 1000.0
    present = set(table.column_names)
    cells = [cell_name(i) for i in range(1, _highest(present, cell_name, MAX_CELLS) + 1)]
    temps = [temp_name(i) for i in range(1, _highest(present, temp_name, MAX_TEMPS) + 1)]
    return Frame(
        pack=pack,
        day=day,
        start_s=bounds_s[0],
        end_s=bounds_s[1],
        lead=parts[0].num_rows if len(parts) == 2 else 0,
        time_s=time_s,
        pack_v=_rows(["pack_v"], parts, len(time_s))[0],
        pack_a=_rows(["pack_a"], parts, len(time_s))[0],
        cells_v=_rows(cells, parts, len(time_s)),
        temps_c=_rows(temps, parts, len(time_s)),
        extra={n: _column(n, parts, len(time_s)) for n in CATALOGUE if n in present and n not in _ROWS},
    )


def to_witness(name: str, table: pa.Table) -> WitnessFrame:
    """Return a day of a witness as arrays."""
    n = table.num_rows
    channels: dict[str, F64] = {}
    for channel in WITNESS_CATALOGUE.values():
        if channel.name in table.column_names:
            channels[channel.name] = np.full(n, np.nan)
            _fill(channels[channel.name], table, channel.name, 0, channel.scale)
    return WitnessFrame(name, table.column("time_ms").to_numpy() / 1000.0, channels)


def _highest(present: set[str], name_of: Callable[[int], str], limit: int) -> int:
    return max((i for i in range(1, limit + 1) if name_of(i) in present), default=0)


def _rows(names: list[str], parts: list[pa.Table], n: int) -> F32:
    out = np.full((len(names), n), np.nan, np.float32)
    for row, name in zip(out, names, strict=True):
        start = 0
        for part in parts:
            _fill(row, part, name, start, CATALOGUE[name].scale)
            start += part.num_rows
    return out


def _column(name: str, parts: list[pa.Table], n: int) -> F64:
    out = np.full(n, np.nan)
    start = 0
    for part in parts:
        _fill(out, part, name, start, CATALOGUE[name].scale)
        start += part.num_rows
    return out


def _fill(out: F32 | F64, table: pa.Table, name: str, start: int, scale: float) -> None:
    """Write one column's physical values into `out` from `start` on."""
    if name in table.column_names:
        raw = table.column(name).to_numpy()  # nulls become NaN
        np.multiply(
            raw, out.dtype.type(scale), out=out[start : start + len(raw)], casting="unsafe", dtype=out.dtype
        )
