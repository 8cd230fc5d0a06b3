"""The header of a CSV file: its delimiter, its columns, and what to say if it is none."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from adapters.channels import Channel
from adapters.errors import ImportFormatError

LONGEST_HEADER = 1 << 16
"""A longer first line is not a header. [bytes]"""

PACK_COLUMNS = frozenset(
    {"pack", "pack_id", "pack_name", "battery", "battery_id", "bank", "device", "device_id"}
)
"""Columns by which a file may tell packs apart."""


@dataclass(frozen=True, slots=True)
class Header:
    """Columns of a file.

    Attributes
    ----------
    names : list of str
        Every column, as it is to be called while reading (unique).
    time : str
        Name of the timestamp column.
    known : tuple of str
        Columns that are channels.
    unknown : tuple of str
        Columns that are not.
    delimiter : str
        One character.
    lines : int
        Lines up to and with the header.
    """

    names: list[str]
    time: str
    known: tuple[str, ...]
    unknown: tuple[str, ...]
    delimiter: str
    lines: int


def read_header(path: Path, file: IO[bytes], catalogue: Mapping[str, Channel]) -> Header:
    """Read the header line; comment lines (#) before it are skipped.

    Raises
    ------
    ImportFormatError
        If there is none, or it has no timestamp or no known column, or names one twice.
    """
    text, lines = _first_line(path, file)
    delimiter = max(",;\t", key=text.count)
    try:
        names = [name.strip() for name in next(csv.reader([text], delimiter=delimiter))]
    except csv.Error as exc:
        raise ImportFormatError(
            f"{path}: the first line cannot be read: {exc}", "save it with ordinary line ends"
        ) from exc
    lowered = [name.lower() for name in names]
    if "timestamp" not in lowered:
        seen = ", ".join(names[:4])
        raise ImportFormatError(
            f'{path}: the first line names no column "timestamp" (it begins: {seen[:80]})',
            "the first line must read: timestamp,pack_v,pack_a,…",
        )
    named = [
        low if low in catalogue or low == "timestamp" else name
        for low, name in zip(lowered, names, strict=True)
    ]
    twice = sorted({name for name in named if name and named.count(name) > 1})
    if twice:
        raise ImportFormatError(f"{path}: column {twice[0]} is there twice", "remove one of them")
    known = tuple(name for name in named if name in catalogue)
    unknown = tuple(
        name or f"(column {n})" for n, name in enumerate(named, 1) if name not in {*known, "timestamp"}
    )
    if not known:
        raise ImportFormatError(
            f"{path}: no column is a channel ({', '.join(unknown)[:80]})",
            f"name them like {', '.join(list(catalogue)[:3])}; --witness is for a witness's file",
        )
    unique = [name or f"(column {n})" for n, name in enumerate(named, 1)]
    return Header(unique, "timestamp", known, unknown, delimiter, lines)


def refuse_several_packs(path: Path, header: Header, block: bytes, seen: set[str]) -> None:
    """Look into a column that names the pack, if there is one.

    Parameters
    ----------
    block : bytes
        Whole lines.
    seen : set of str
        Names seen in the blocks before; added to.

    Raises
    ------
    ImportFormatError
        If the file mixes the readings of several packs.
    """
    at = next((n for n, name in enumerate(header.names) if name.lower() in PACK_COLUMNS), None)
    if at is None:
        return
    lines = block.decode("utf-8", "replace").splitlines()
    fields = csv.reader(lines, delimiter=header.delimiter)
    seen |= {row[at].strip() for row in fields if len(row) == len(header.names)} - {""}
    if len(seen) > 1:
        some = ", ".join(sorted(seen)[:4])[:60]
        raise ImportFormatError(
            f"{path}: column {header.names[at]} names several packs ({some})",
            "make one file for each, and import each with its own --pack",
        )


def _first_line(path: Path, file: IO[bytes]) -> tuple[str, int]:
    lines = 0
    while True:
        try:
            line = file.readline(LONGEST_HEADER + 1)
        except (OSError, EOFError) as exc:
            raise ImportFormatError(
                f"{path}: not a readable gzip file: {exc}", "copy the file again"
            ) from exc
        if not line:
            raise ImportFormatError(f"{path}: the file is empty", "export it again")
        lines += 1
        if line.startswith((b"\xff\xfe", b"\xfe\xff")):
            raise ImportFormatError(f"{path}: saved as UTF-16", "save it as UTF-8")
        if len(line) > LONGEST_HEADER or b"\0" in line:
            raise ImportFormatError(
                f"{path}: this is no CSV file", "the first line must read: timestamp,pack_v,…"
            )
        try:
            text = line.decode("utf-8-sig").strip("\r\n")
        except UnicodeDecodeError as exc:
            raise ImportFormatError(f"{path}: the first line is not UTF-8", "save it as UTF-8") from exc
        if text.strip() and not text.startswith("#"):
            return text, lines
