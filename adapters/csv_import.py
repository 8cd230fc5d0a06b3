"""CSV files into tables of stored integers, streaming: blocks of lines, in flat memory.

A block is first read by pyarrow as a whole. If anything in it is odd, that block alone is read again line by
line (`adapters.csv_lines`), so that every refused line has its number and its reason.
"""

from __future__ import annotations

import contextlib
import gzip
import io
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import IO, cast

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv

from adapters.channels import Channel
from adapters.csv_header import Header, read_header, refuse_several_packs
from adapters.csv_lines import FALSE, NULL, TRUE, parse_lines
from adapters.csv_outcome import CsvOutcome
from adapters.csv_units import refuse_wrong_units
from adapters.errors import ImportFormatError

BLOCK = 4 << 20
"""Bytes read at a time. [bytes]"""
LONGEST_LINE = 1 << 20
"""A longer line is not a CSV line. [bytes]"""
EARLIEST_MS = 946_684_800_000
"""2000-01-01: anything earlier is an unset clock. [ms UTC]"""
LATEST_MS = 4_102_444_800_000
"""2100-01-01. [ms UTC]"""

Columns = dict[str, "np.ndarray"]
Progress = Callable[[int, int], None]


def read_tables(
    path: Path,
    catalogue: Mapping[str, Channel],
    outcome: CsvOutcome | None = None,
    progress: Progress | None = None,
) -> Iterator[pa.Table]:
    """Read a CSV file in chunks.

    Parameters
    ----------
    path : Path
        File; `.gz` is unpacked on the way.
    catalogue : mapping of str to Channel
        Which columns there may be: `CATALOGUE` for a pack, `WITNESS_CATALOGUE` for a witness.
    outcome : CsvOutcome or None
        Filled as the file is read: rows, refused lines, unknown columns.
    progress : callable or None
        Called with bytes done and bytes in all, after every block.

    Yields
    ------
    pyarrow.Table
        `time_ms` int64, sorted and without duplicates within the chunk; then the catalogue's columns that the
        file has, int32 (bit sets int64), null where a cell was blank or could not be right.

    Raises
    ------
    ImportFormatError
        If the file is empty, is no CSV, lacks the timestamp column or any known column, or a column is
        clearly in another unit.
    """
    outcome = outcome if outcome is not None else CsvOutcome()
    with _opened(path) as (file, raw, size):
        header = read_header(path, file, catalogue)
        outcome.start(header, size)
        packs: set[str] = set()
        for first_line, block in _blocks(path, file, header.lines):
            refuse_several_packs(path, header, block, packs)
            table = _block_table(path, header, catalogue, block, first_line, outcome)
            outcome.bytes_read = raw.tell()
            if progress is not None:
                progress(min(outcome.bytes_read, size), size)
            if table is not None:
                yield table
    if outcome.rows == 0:
        why = f"; {outcome.notes()[0]}" if outcome.rejected or outcome.insane_times else ""
        raise ImportFormatError(
            f"{path}: no line could be read{why}", "correct that and export the file again"
        )


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[tuple[IO[bytes], IO[bytes], int]]:
    """Open a file, plain or gzip: (stream, file beneath, size of the file)."""
    try:
        raw = path.open("rb")
        size = path.stat().st_size
    except FileNotFoundError as exc:
        raise ImportFormatError(f"{path}: there is no such file", "check the path") from exc
    except OSError as exc:
        raise ImportFormatError(f"{path}: cannot be read: {exc.strerror}", "check owner and mode") from exc
    with raw:
        if path.suffix == ".gz":
            with gzip.GzipFile(fileobj=raw) as unpacked:
                yield cast("IO[bytes]", unpacked), raw, size
        else:
            yield raw, raw, size


def _blocks(path: Path, file: IO[bytes], lines_before: int) -> Iterator[tuple[int, bytes]]:
    """Blocks of whole lines, with the number of their first line."""
    line, rest = lines_before + 1, b""
    while True:
        try:
            piece = file.read(BLOCK)
        except (OSError, EOFError) as exc:
            raise ImportFormatError(
                f"{path}: damaged near line {line}: {exc}", "copy the file again"
            ) from exc
        if not piece:
            break
        rest += piece
        end = rest.rfind(b"\n") + 1
        if end == 0:
            if len(rest) > LONGEST_LINE:
                raise ImportFormatError(f"{path}: line {line} has no end", "this is not a CSV file")
            continue
        block, rest = rest[:end], rest[end:]
        if len(rest) > LONGEST_LINE:
            raise ImportFormatError(f"{path}: a line after {line} has no end", "this is not a CSV file")
        yield line, block
        line += block.count(b"\n")
    if rest.strip():
        yield line, rest


def _block_table(
    path: Path,
    header: Header,
    catalogue: Mapping[str, Channel],
    block: bytes,
    first_line: int,
    outcome: CsvOutcome,
) -> pa.Table | None:
    columns = _fast(header, catalogue, block, outcome)
    if columns is None:
        columns = parse_lines(header, catalogue, block, first_line, outcome)
    times = columns.pop("time_ms")
    if times.size == 0:
        return None
    refuse_wrong_units(path, columns, catalogue, begins=outcome.rows == 0)
    sane = (times >= EARLIEST_MS) & (times < LATEST_MS)
    order = np.argsort(times, kind="stable")
    order = order[sane[order]]
    kept = np.ones(order.size, dtype=bool)
    kept[1:] = np.diff(times[order]) > 0
    outcome.insane_times += int(times.size - order.size)
    outcome.duplicates += int(order.size - kept.sum())
    outcome.note_order(times[order])
    order = order[kept]
    outcome.rows += int(order.size)
    names = ["time_ms", *columns]
    arrays = [pa.array(times[order], pa.int64())]
    arrays += [_stored(catalogue[name], column[order], outcome) for name, column in columns.items()]
    return pa.table(arrays, names=names)


def _stored(channel: Channel, column: np.ndarray, outcome: CsvOutcome) -> pa.Array:
    """Physical values to stored integers; NaN and what is out of range become null."""
    with np.errstate(invalid="ignore"):
        good = (column >= channel.low) & (column <= channel.high)
    wrong = int(np.count_nonzero(~good & ~np.isnan(column)))
    if wrong:
        outcome.out_of_range[channel.name] = outcome.out_of_range.get(channel.name, 0) + wrong
    stored = np.rint(np.where(good, column, 0.0) / channel.scale)
    kind = np.int64 if channel.kind == "bits" else np.int32
    return pa.array(stored.astype(kind), mask=~good)


def _fast(
    header: Header, catalogue: Mapping[str, Channel], block: bytes, outcome: CsvOutcome
) -> Columns | None:
    """Read a block with pyarrow; None if anything is odd."""
    for kind in (pa.timestamp("ns", tz="UTC"), pa.timestamp("ns")):
        types: dict[str, pa.DataType] = {
            name: pa.bool_() if catalogue[name].kind == "flag" else pa.float64() for name in header.known
        }
        types[header.time] = kind
        try:
            table = pacsv.read_csv(
                io.BytesIO(block),
                read_options=pacsv.ReadOptions(
                    column_names=header.names, use_threads=False, block_size=2 * BLOCK
                ),
                parse_options=pacsv.ParseOptions(delimiter=header.delimiter),
                convert_options=pacsv.ConvertOptions(
                    column_types=types,
                    include_columns=[header.time, *header.known],
                    null_values=NULL,
                    true_values=TRUE,
                    false_values=FALSE,
                    quoted_strings_can_be_null=True,
                ),
            )
        except pa.ArrowInvalid:
            continue
        if table.column(header.time).null_count:
            return None
        if kind.tz is None:
            outcome.naive = True
        columns: Columns = {"time_ms": _floor_ms(table.column(header.time))}
        for name in header.known:
            columns[name] = _floats(table.column(name))
        outcome.lines += table.num_rows
        return columns
    return None


def _floor_ms(column: pa.ChunkedArray) -> np.ndarray:
    nanos: np.ndarray = column.cast(pa.int64()).to_numpy()
    return nanos // 1_000_000


def _floats(column: pa.ChunkedArray) -> np.ndarray:
    if pa.types.is_boolean(column.type):
        column = column.cast(pa.int8()).cast(pa.float64())
    floats: np.ndarray = column.to_numpy().astype(np.float64, copy=False)
    return floats


__all__ = ["CsvOutcome", "read_tables"]
