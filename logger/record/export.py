"""The record for other tools: Parquet in folders by site, pack and day, or one CSV file."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Literal, TextIO

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq

from adapters.base import Subject
from adapters.channels import Channel
from logger.record.export_bdf import as_bdf
from logger.record.sealing import catalogue_of, tidy

if TYPE_CHECKING:
    from logger.record.store import Store

Form = Literal["physical", "integers", "bdf"]


def export_parquet(
    store: Store,
    folder: Path,
    *,
    site: str,
    packs: list[str] | None = None,
    first: str | None = None,
    last: str | None = None,
    form: Form = "physical",
) -> list[Path]:
    """Write `site=S/pack=P/day=YYYY-MM-DD/readings.parquet` for every day; witnesses under `witness=W`.

    Beside them `site=S/_bank.json` keeps the time zone and what is known of each pack.

    Parameters
    ----------
    store : Store
    folder : Path
        Made if it is not there. Files in it of the same names are replaced.
    site : str
        Name for the first level.
    packs : list of str, optional
        Only these packs, and no witness.
    first, last : str, optional
        Only days from and to these, inclusive.
    form : {"physical", "integers", "bdf"}
        Physical: real numbers in the catalogue's units, `timestamp` in UTC. Integers: as stored,
        `time_ms`, with `unit` and `scale` in each field's metadata: value in unit = integer × scale.
        Bdf: physical, with the column names of the Battery Data Format (see `logger.record.export_bdf`).

    Returns
    -------
    list of Path
        The files written.
    """
    written: list[Path] = []
    starts: dict[Subject, int] = {}
    for subject, day in _days(store, packs, first, last):
        table = store.table(subject, day)
        where = folder / f"site={_safe(site)}" / f"{subject.kind}={_safe(subject.name)}" / f"day={day}"
        where.mkdir(parents=True, exist_ok=True)
        start = starts.setdefault(subject, _first_ms(table))
        out = as_integers(table, subject.kind) if form == "integers" else as_physical(table, subject.kind)
        if form == "bdf":
            out = as_bdf(out, catalogue_of(subject.kind), start)
        notes = {"site": site, subject.kind: subject.name, "day": day, "zone": store.zone.key, "form": form}
        _write(out.replace_schema_metadata({"bankbook": json.dumps(notes)}), where / "readings.parquet")
        written.append(where / "readings.parquet")
    if written:
        about = {"zone": store.zone.key, "packs": {p: _facts(store, p) for p in _pack_names(store, packs)}}
        target = folder / f"site={_safe(site)}" / "_bank.json"
        target.write_text(json.dumps(about, indent=1, sort_keys=True) + "\n")
    return written


def _pack_names(store: Store, packs: list[str] | None) -> list[str]:
    return packs or [s.name for s in store.subjects() if s.kind == "pack"]


def _facts(store: Store, pack: str) -> dict[str, object]:
    return asdict(store.facts(pack))


def export_csv(
    store: Store,
    file: Path,
    *,
    subject: Subject,
    first: str | None = None,
    last: str | None = None,
    form: Form = "physical",
) -> int:
    """Write one subject's readings as CSV: `timestamp` (ISO 8601, UTC), then the catalogue's columns.

    Parameters
    ----------
    store : Store
    file : Path
        Replaced once the new one is complete.
    subject : Subject
    first, last : str, optional
        Only days from and to these, inclusive.
    form : {"physical", "bdf"}
        Bdf: with the columns of the Battery Data Format. The other form can be imported again.

    Returns
    -------
    int
        Readings written.

    Raises
    ------
    ValueError
        If another form is asked for.
    """
    if form == "integers":
        raise ValueError("a CSV file has physical values")
    days = [d for s, d in _days(store, None, first, last) if s == subject]
    columns = _columns_of(store, subject, days)
    start_ms = _first_ms(store.table(subject, days[0])) if days and form == "bdf" else None
    part, rows = file.with_name(file.name + ".part"), 0
    with part.open("w", encoding="utf-8", newline="") as out:
        for day in days:
            table = _csv_table(store.table(subject, day), subject.kind, columns)
            if start_ms is not None:
                table = as_bdf(table, catalogue_of(subject.kind), start_ms)
            if rows == 0:
                out.write(",".join(table.column_names) + "\n")
            rows += _csv_day(out, table)
        if not days:
            out.write("timestamp\n")
        out.flush()
        os.fsync(out.fileno())
    part.replace(file)
    return rows


def as_physical(table: pa.Table, kind: str) -> pa.Table:
    """Return a day in the catalogue's units, with `timestamp` first."""
    catalogue = catalogue_of(kind)
    columns = [pa.array(table.column("time_ms").to_numpy(), pa.timestamp("ms", tz="UTC"))]
    names = ["timestamp"]
    for name in table.column_names:
        if name in catalogue:
            columns.append(_physical(table.column(name), catalogue[name]))
            names.append(name)
    return pa.table(columns, names=names)


def as_integers(table: pa.Table, kind: str) -> pa.Table:
    """Return a day as stored, with unit and scale in the fields' metadata."""
    fields = []
    for field in table.schema:
        channel = catalogue_of(kind).get(field.name)
        notes = None if channel is None else {"unit": channel.unit, "scale": f"{channel.scale:g}"}
        fields.append(field.with_metadata(notes))
    return table.cast(pa.schema(fields))


def read_exported(file: Path) -> pa.Table:
    """Return the day of an exported Parquet file as the store would give it, from either form.

    Raises
    ------
    ValueError
        If the file was not written by `export_parquet`.
    """
    table = pq.ParquetFile(file).read()
    notes = json.loads((table.schema.metadata or {}).get(b"bankbook", b"null"))
    if notes is None:
        raise ValueError(f"{file} is not a day exported by bankbook")
    kind = "witness" if "witness" in notes else "pack"
    if notes["form"] == "integers":
        return tidy(table.replace_schema_metadata(None), kind)
    columns = {"time_ms": table.column("timestamp").cast(pa.int64())}
    for name in table.column_names[1:]:
        raw = table.column(name).to_numpy() / catalogue_of(kind)[name].scale
        columns[name] = pa.array(np.rint(np.nan_to_num(raw)).astype(np.int64), mask=np.isnan(raw))
    return tidy(pa.table(columns), kind)


def _days(
    store: Store, packs: list[str] | None, first: str | None, last: str | None
) -> Iterator[tuple[Subject, str]]:
    for subject in store.subjects():
        if packs is not None and (subject.kind != "pack" or subject.name not in packs):
            continue
        for day in store.days(subject):
            if (first is None or day >= first) and (last is None or day <= last):
                yield subject, day


def _physical(column: pa.ChunkedArray, channel: Channel) -> pa.Array:
    if channel.kind != "number":
        return column.combine_chunks()
    digits = max(0, -int(np.floor(np.log10(channel.scale))))
    raw = column.to_numpy().astype(float)  # nulls become NaN
    values = np.round(raw * channel.scale, digits)
    return pa.array(values, mask=np.isnan(values) if column.null_count else None)


def _columns_of(store: Store, subject: Subject, days: list[str]) -> list[str]:
    """Return every channel that any of the days has, in the catalogue's order."""
    seen: set[str] = set()
    for day in days:
        seen.update(store.table(subject, day).column_names)
    return [name for name in catalogue_of(subject.kind) if name in seen]


def _csv_table(table: pa.Table, kind: str, columns: list[str]) -> pa.Table:
    """Return a day with exactly these columns, in physical units."""
    physical = as_physical(table, kind)
    empty = pa.nulls(table.num_rows, pa.float64())
    given = [physical.column(n) if n in physical.column_names else empty for n in columns]
    return pa.table([physical.column("timestamp"), *given], names=["timestamp", *columns])


def _csv_day(out: TextIO, table: pa.Table) -> int:
    if "timestamp" in table.column_names:
        times = np.datetime_as_string(
            table.column("timestamp").cast(pa.int64()).to_numpy().astype("datetime64[ms]")
        )
        table = table.set_column(0, "timestamp", pa.array(np.char.add(times, "Z")))
    sink = pa.BufferOutputStream()
    pa.csv.write_csv(table, sink, pa.csv.WriteOptions(include_header=False, quoting_style="none"))
    out.write(sink.getvalue().to_pybytes().decode())
    return int(table.num_rows)


def _first_ms(table: pa.Table) -> int:
    return int(table.column("time_ms")[0].as_py())


def _write(table: pa.Table, path: Path) -> None:
    part = path.with_name(path.name + ".part")
    whole = [f.name for f in table.schema if pa.types.is_integer(f.type) or pa.types.is_timestamp(f.type)]
    real = [f.name for f in table.schema if pa.types.is_floating(f.type)]
    encoding = dict.fromkeys(whole, "DELTA_BINARY_PACKED")
    pq.write_table(
        table, part, compression="zstd", compression_level=3, use_dictionary=real, column_encoding=encoding
    )
    part.replace(path)


def _safe(name: str) -> str:
    """Return a name fit for a folder."""
    return re.sub(r"[^A-Za-z0-9._-]+", "-", name).strip("-.") or "site"
