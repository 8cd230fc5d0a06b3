"""A report as files: written beside each other, each in one step, so that no reader meets half a page."""

from __future__ import annotations

import contextlib
import json
import os
from pathlib import Path
from typing import TYPE_CHECKING

from adapters.errors import StoreFull

if TYPE_CHECKING:
    from analysis.report.numbers import Units
    from analysis.report.value import Report
    from logger.config import Config
    from logger.record.store import Store


def reading_units(config: Config) -> Units:
    """Return how the configuration wants units."""
    from analysis.report.numbers import Units

    return Units(
        "°F" if config.report.temperature == "F" else "°C", "AWG" if config.report.wire == "awg" else "mm²"
    )


def write_report(report: Report, units: Units, folder: Path, stem: str) -> list[Path]:
    """Write HTML, PDF and JSON.

    Parameters
    ----------
    report : Report
    units : Units
    folder : Path
        Made if it is not there.
    stem : str
        File name without ending.

    Returns
    -------
    list of Path
        HTML, PDF, JSON.

    Raises
    ------
    StoreFull
        If the folder cannot be written.
    """
    from analysis.report import html, pdf

    contents = {
        ".html": html.render(report, units).encode(),
        ".pdf": pdf.render(report, units),
        ".json": numbers_json(report).encode(),
    }
    return [write_whole(folder / f"{stem}{ending}", content) for ending, content in contents.items()]


def keep_and_write(
    store: Store, config: Config, report: Report, out_dir: Path | None, stem: str
) -> list[Path]:
    """Keep a report's numbers in the record, if that is open for writing, and write its files.

    Parameters
    ----------
    store : Store
    config : Config
    report : Report
    out_dir : Path or None
        Where to; the configuration's report folder if None.
    stem : str
        File name without ending.

    Returns
    -------
    list of Path
        HTML, PDF, JSON.

    Raises
    ------
    StoreFull
        If the record or the folder cannot be written.
    """
    if store.write:
        store.save_report(report.kind, report.first, report.last, numbers_json(report))
    return write_report(report, reading_units(config), out_dir or config.report_folder, stem)


def numbers_json(report: Report) -> str:
    """Return every number of a report as JSON text."""
    from analysis.report.numbers import as_json

    return json.dumps(as_json(report), ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def write_whole(path: Path, content: bytes) -> Path:
    """Write a file so that it is either the old one or the new one.

    Raises
    ------
    StoreFull
        If the folder cannot be written.
    """
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        part.write_bytes(content)
        part.replace(path)
    except OSError as exc:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        raise StoreFull(
            f"{path}: cannot be written ({exc.strerror})",
            "free space, or name a folder on another disk with --to or [report] folder",
        ) from exc
    return path
