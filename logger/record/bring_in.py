"""A CSV file or a CAN capture into the record, with progress and an honest account of what was left out."""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from adapters.base import Subject
from adapters.channels import CATALOGUE, WITNESS_CATALOGUE
from adapters.errors import ConfigError

if TYPE_CHECKING:
    from adapters.binding import Binding
    from adapters.registers import RegisterMap
    from logger.config import Config
    from logger.record.store import Store
    from logger.record.store_types import Adopted


@dataclass(frozen=True, slots=True)
class Brought:
    """What became of a file.

    Attributes
    ----------
    file, subject : str
    rows : int
        Readings taken.
    sealed, revised, unchanged : int
        Days sealed first, sealed again because they said something new, and left alone.
    hot_rows : int
        Readings of the day that is not over.
    rejected : int
        Lines refused.
    reasons : tuple of (int, str)
        Number and reason of the first of them.
    unknown : tuple of str
        Columns that are no channel.
    notes : tuple of str
        Everything a person should know, one line each.
    """

    file: str
    subject: str
    rows: int
    sealed: int
    revised: int
    unchanged: int
    hot_rows: int
    rejected: int
    reasons: tuple[tuple[int, str], ...]
    unknown: tuple[str, ...]
    notes: tuple[str, ...] = ()

    def lines(self) -> list[str]:
        """Say it in words."""
        days = f"{self.sealed} days sealed, {self.revised} revised, {self.unchanged} unchanged"
        out = [f"{self.file}: {self.rows:,} readings of {self.subject}; {days}"]
        if self.hot_rows:
            out.append(f"  {self.hot_rows:,} readings of days that are not over yet")
        return out + [f"  {note}" for note in self.notes]


@dataclass(frozen=True, slots=True)
class Bus:
    """How the frames of a capture are to be read; what is None comes from the subject's own CAN source.

    Attributes
    ----------
    binding, database : str or None
        As in a [[source]] of kind "can".
    start_s : float or None
        When a capture without dates began, UTC epoch seconds. [s]
    map : str or None
        For recorded registers, as in a [[source]] of kind "modbus-tcp".
    """

    binding: str | None = None
    database: str | None = None
    start_s: float | None = None
    map: str | None = None


def bring(
    store: Store,
    config: Config,
    file: Path,
    *,
    pack: str | None,
    witness: str | None,
    bus: Bus | None = None,
    quiet: bool = False,
) -> Brought:
    """Read a CSV file, or a capture of a CAN bus, into the record.

    Parameters
    ----------
    store : Store
        Open for writing.
    config : Config
        Whose pack or witness it must be.
    file : Path
        CSV, or by its ending a capture (.log, .asc, .blf) or recorded registers (.reg).
    pack, witness : str or None
        Whose readings it has: exactly one of the two.
    bus : Bus, optional
        For a capture.
    quiet : bool
        Show no progress.

    Raises
    ------
    ConfigError
        If there is no such pack or witness, or no binding for a capture.
    ImportFormatError
        If the file is not such a file; what was read before the fault stays.
    """
    if pack is not None:
        subject = Subject(config.pack_facts(pack).name)
    else:
        config.check_witness(witness or "")
        subject = Subject(witness or "", "witness")
    if file.suffix.lower() in {".log", ".asc", ".blf", ".reg"}:
        return _capture(store, config, file, subject, bus or Bus(), quiet=quiet)
    return _csv(store, config, file, subject, quiet=quiet)


def _csv(store: Store, config: Config, file: Path, subject: Subject, *, quiet: bool) -> Brought:
    from adapters.csv_import import read_tables
    from adapters.csv_outcome import CsvOutcome

    outcome = CsvOutcome()
    catalogue = CATALOGUE if subject.kind == "pack" else WITNESS_CATALOGUE
    with store.adopting() as adopter, _Progress(file, quiet=quiet) as progress:
        for table in read_tables(file, catalogue, outcome, progress.at):
            adopter.put(subject, table)
        done = adopter.flush()
    notes = (*outcome.notes(), *_future(outcome.last_ms), *_notes(config, subject, set(outcome.columns)))
    reasons = tuple((r.line, r.reason) for r in outcome.reasons)
    return _brought(file, subject, done, outcome.rejected, reasons, tuple(outcome.unknown), notes)


def _future(last_ms: int | None) -> list[str]:
    if last_ms is None or last_ms / 1000 < time.time() + 86_400:
        return []
    last = datetime.fromtimestamp(last_ms / 1000, UTC).date()
    return [
        f"its last reading is of {last}, in the future: is the file's time wrong, or this machine's clock?"
    ]


def _capture(store: Store, config: Config, file: Path, subject: Subject, bus: Bus, *, quiet: bool) -> Brought:
    from adapters.captures import CaptureOutcome, read_capture

    meaning = (
        _map(config, file, subject, bus)
        if file.suffix.lower() == ".reg"
        else (_binding(config, file, subject, bus))
    )
    outcome = CaptureOutcome()
    with store.adopting() as adopter, _Progress(file, quiet=quiet) as progress:
        for table in read_capture(
            file,
            meaning,
            period_s=config.record.period_s,
            start_s=bus.start_s,
            outcome=outcome,
            progress=progress.to,
        ):
            adopter.put(subject, table)
        done = adopter.flush()
    notes = (
        f"{outcome.frames:,} {'reads' if file.suffix.lower() == '.reg' else 'frames'} read",
        *outcome.notes(),
        *_notes(config, subject, set(meaning.channels)),
    )
    return _brought(file, subject, done, outcome.rejected_count, tuple(outcome.rejected), (), notes)


def _own(config: Config, subject: Subject, kinds: tuple[str, ...]) -> dict[str, Any]:
    """Keys of the subject's own source of one of these kinds; none if it has none."""
    own = (s.model_dump() for s in config.source if s.kind in kinds and subject.name in (s.pack, s.witness))
    return next(own, {})


def _binding(config: Config, file: Path, subject: Subject, bus: Bus) -> Binding:
    from adapters.binding import find_binding, load_binding

    own = _own(config, subject, ("can",))
    name = bus.binding or own.get("binding")
    if name is None:
        raise ConfigError(
            f'{file} is a capture, and {subject.name} has no source of kind "can" in {config.path}',
            "say what its frames mean: --binding FILE --database FILE",
        )
    database = bus.database if bus.binding else own.get("database")
    return load_binding(*find_binding(name, database, config.folder))


def _map(config: Config, file: Path, subject: Subject, bus: Bus) -> RegisterMap:
    from adapters.registers import find_map, load_map

    name = bus.map or _own(config, subject, ("modbus-tcp", "modbus-rtu")).get("map")
    if name is None:
        raise ConfigError(
            f"{file} has recorded registers, and {subject.name} has no Modbus source in {config.path}",
            "say what they mean: --map FILE",
        )
    return load_map(find_map(name, config.folder))


def _brought(
    file: Path, subject: Subject, done: Adopted, rejected: int, reasons: tuple[tuple[int, str], ...],
    unknown: tuple[str, ...], notes: tuple[str, ...],
) -> Brought:  # fmt: skip
    return Brought(
        file=str(file),
        subject=subject.name,
        rows=done.rows,
        sealed=done.sealed,
        revised=done.revised,
        unchanged=done.unchanged,
        hot_rows=done.hot_rows,
        rejected=rejected,
        reasons=reasons,
        unknown=unknown,
        notes=notes,
    )


def _notes(config: Config, subject: Subject, columns: set[str]) -> tuple[str, ...]:
    if subject.kind != "pack":
        return ()
    pack = subject.name
    said = config.pack_facts(pack).n_cells
    cells = max((int(c[5:7]) for c in columns if c.startswith("cell_")), default=0)
    notes = []
    if cells and cells != said:
        notes.append(
            f"ATTENTION: the file has {cells} cells, the configuration counts on {said}: set cells = {cells} "
            f'under [[pack]] name = "{pack}" in {config.path.name}, or bring in all {said}'
        )
    notes += [
        f"the file has no {name}; much of the analysis needs it"
        for name in ("pack_a", "pack_v")
        if name not in columns
    ]
    return tuple(notes)


class _Progress:
    """A bar on the terminal, nothing where there is none."""

    def __init__(self, file: Path, *, quiet: bool) -> None:
        self._bar: Any = None
        self._size = file.stat().st_size if file.is_file() else 0
        if not quiet and sys.stderr.isatty() and self._size:
            from rich.console import Console
            from rich.progress import Progress

            self._bar = Progress(console=Console(stderr=True), transient=True)
            self._task = self._bar.add_task(f"reading {file.name}", total=self._size)

    def __enter__(self) -> Self:
        if self._bar is not None:
            self._bar.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._bar is not None:
            self._bar.stop()

    def to(self, done: int) -> None:
        """Show how many bytes of the file have been read."""
        self.at(done, self._size)

    def at(self, done: int, size: int) -> None:
        """Show how many bytes of how many have been read."""
        if self._bar is not None:
            self._bar.update(self._task, completed=done, total=size)
