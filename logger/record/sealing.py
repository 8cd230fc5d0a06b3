"""A day of readings as a Parquet blob and back: integers, delta-packed, zstd.

A column whose values all end in the same number of zeros is stored without them; the factor that brings
them back stands in the field's metadata as `factor`. The last half hour is a row group of its own, so that
the next day's lead-in is read without the rest.
"""

from __future__ import annotations

import io
from collections.abc import Mapping

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from adapters.channels import CATALOGUE, WITNESS_CATALOGUE, Channel

LEAD_MS = 1_800_000
"""How much of a day's end the next day's analysis looks back upon. [ms]"""

MAX_FACTOR = 10_000
_PROBE = 64


def catalogue_of(kind: str) -> Mapping[str, Channel]:
    """Return the channels of a kind of subject, "pack" or "witness"."""
    return WITNESS_CATALOGUE if kind == "witness" else CATALOGUE


def arrow_type(name: str, catalogue: Mapping[str, Channel]) -> pa.DataType:
    """Return the type of a column of a day."""
    if name == "time_ms" or (name in catalogue and catalogue[name].kind == "bits"):
        return pa.int64()
    return pa.int32()


def tidy(table: pa.Table, kind: str) -> pa.Table:
    """Return a day's table in its one form: sorted, no instant twice, catalogue order, no empty column.

    Parameters
    ----------
    table : pyarrow.Table
        `time_ms` and channels of the catalogue as integers; `provisional` is allowed.
    kind : str
        "pack" or "witness".

    Raises
    ------
    ValueError
        If it has no `time_ms`, or a column the catalogue does not know.
    """
    catalogue = catalogue_of(kind)
    unknown = set(table.column_names) - {"time_ms", "provisional"} - set(catalogue)
    if "time_ms" not in table.column_names or unknown:
        raise ValueError(f"not a day's table: unknown columns {sorted(unknown)}, or no time_ms")
    names = [n for n in ("time_ms", "provisional", *catalogue) if n in table.column_names]
    columns, fields = [], []
    for name in names:
        column = table.column(name).combine_chunks()
        if name != "time_ms" and column.null_count == len(column):
            continue
        kind_of = arrow_type(name, catalogue)
        columns.append(column.cast(kind_of))
        fields.append(pa.field(name, kind_of))
    out = pa.table(columns, schema=pa.schema(fields))
    times = out.column("time_ms").to_numpy()
    if len(times) > 1 and not np.all(times[1:] > times[:-1]):
        order = np.argsort(times, kind="stable")
        kept = np.flatnonzero(np.append(times[order][1:] != times[order][:-1], True))
        out = out.take(pa.array(order[kept]))
    return out


def merge(old: pa.Table, new: pa.Table, kind: str) -> pa.Table:
    """Return both days' readings; at the same instant a value of `new` stands before one of `old`."""
    old, new = tidy(old, kind), tidy(new, kind)
    if old.num_rows == 0:
        return new
    if new.num_rows == 0:
        return old
    t_old, t_new = old.column("time_ms").to_numpy(), new.column("time_ms").to_numpy()
    times = np.union1d(t_old, t_new)
    at_old, at_new = np.searchsorted(times, t_old), np.searchsorted(times, t_new)
    columns: dict[str, pa.Array] = {"time_ms": pa.array(times)}
    for name in dict.fromkeys((*old.column_names[1:], *new.column_names[1:])):
        values, seen = np.zeros(len(times), np.int64), np.zeros(len(times), bool)
        for table, at in ((old, at_old), (new, at_new)):
            if name in table.column_names:
                column = table.column(name).combine_chunks()
                valid = column.is_valid().to_numpy(zero_copy_only=False)
                values[at[valid]] = column.fill_null(0).to_numpy()[valid]
                seen[at[valid]] = True
        columns[name] = pa.array(values, mask=~seen)
    return tidy(pa.table(columns), kind)


def encode_day(table: pa.Table) -> bytes:
    """Return the blob of a tidy day."""
    columns, fields = [], []
    for field, column in zip(table.schema, table.columns, strict=True):
        factor = 1 if field.name == "time_ms" else _common_factor(column)
        if factor > 1:
            values = column.combine_chunks()
            whole = values.fill_null(0).to_numpy() // factor
            mask = values.is_null().to_numpy(zero_copy_only=False)
            columns.append(pa.array(whole.astype(field.type.to_pandas_dtype()), mask=mask))
            fields.append(field.with_metadata({"factor": str(factor)}))
        else:
            columns.append(column)
            fields.append(field)
    packed = pa.table(columns, schema=pa.schema(fields))
    sink = io.BytesIO()
    with pq.ParquetWriter(
        sink,
        packed.schema,
        compression="zstd",
        compression_level=3,
        use_dictionary=False,
        column_encoding=dict.fromkeys(packed.column_names, "DELTA_BINARY_PACKED"),
        write_statistics=False,
        version="2.6",
    ) as writer:
        head = _head_rows(table)
        if head:
            writer.write_table(packed.slice(0, head), row_group_size=max(head, 1))
        if head < packed.num_rows or not head:
            writer.write_table(packed.slice(head), row_group_size=max(packed.num_rows - head, 1))
    return sink.getvalue()


def decode_day(
    blob: bytes, *, tail: bool = False, columns: list[str] | None = None, threads: bool = False
) -> pa.Table:
    """Return the day of a blob as it was given to `encode_day`.

    Parameters
    ----------
    blob : bytes
        A sealed day.
    tail : bool
        Only its last half hour.
    columns : list of str, optional
        Only these columns, where present.
    threads : bool
        Decode columns on several cores.
    """
    file = pq.ParquetFile(pa.BufferReader(blob))
    present = file.schema_arrow.names
    wanted = None if columns is None else [c for c in columns if c in present]
    if tail:
        table = file.read_row_group(file.num_row_groups - 1, columns=wanted, use_threads=threads)
    else:
        table = file.read(columns=wanted, use_threads=threads)
    return _with_factors(table)


def _with_factors(table: pa.Table) -> pa.Table:
    columns, fields = [], []
    for field, column in zip(table.schema, table.columns, strict=True):
        factor = int((field.metadata or {}).get(b"factor", b"1"))
        if factor > 1:
            values = column.combine_chunks()
            raw = values.fill_null(0).to_numpy() * factor
            mask = values.is_null().to_numpy(zero_copy_only=False) if values.null_count else None
            columns.append(pa.array(raw.astype(field.type.to_pandas_dtype()), mask=mask))
        else:
            columns.append(column)
        fields.append(pa.field(field.name, field.type))
    return pa.table(columns, schema=pa.schema(fields))


def _head_rows(table: pa.Table) -> int:
    """Return how many rows come before the last half hour."""
    if table.num_rows == 0:
        return 0
    times = table.column("time_ms").to_numpy()
    return int(np.searchsorted(times, times[-1] - LEAD_MS))


def _common_factor(column: pa.ChunkedArray) -> int:
    """Return the largest power of ten that divides every value of a column."""
    values = column.combine_chunks().drop_null().to_numpy()
    factor = 1
    while (
        factor < MAX_FACTOR
        and not np.any(values[:_PROBE] % (factor * 10))
        and not np.any(values % (factor * 10))
        and np.any(values)
    ):
        factor *= 10
    return factor
