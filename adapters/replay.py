"""A recorded file played again as if it came from a wire: CSV, CAN frames, or Modbus registers."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Iterator

from adapters.base import Reading, Subject
from adapters.binding import Binding, find_binding, load_binding
from adapters.channels import CATALOGUE, WITNESS_CATALOGUE
from adapters.configs import ReplayConfig
from adapters.errors import ConfigError, ImportFormatError, SourceLost
from adapters.raw_registers import SUFFIX
from adapters.registers import RegisterMap, find_map, load_map

Row = tuple[int, dict[str, int], dict[str, str]]
"""Instant [ms UTC], stored integers, refused values."""


class ReplayAdapter:
    """A finite source: raises `StopAsyncIteration` at the end of its file.

    Parameters
    ----------
    config : ReplayConfig
        The source.

    Raises
    ------
    ConfigError
        If the file is missing, or a capture has no binding.
    """

    def __init__(self, config: ReplayConfig) -> None:
        self._config = config
        self._path = config.path(config.file)
        if not self._path.exists():
            raise ConfigError(
                f'source "{config.name}": {self._path}: there is no such file', "check file in bank.toml"
            )
        self._meaning: Binding | RegisterMap | None = None
        if config.binding is not None:
            self._meaning = load_binding(
                *find_binding(config.binding, config.database, config.folder), config.stale_s
            )
        elif config.map is not None:
            self._meaning = load_map(find_map(config.map, config.folder))
        elif self._path.suffix.lower() == SUFFIX:
            raise ConfigError(
                f'source "{config.name}": recorded registers need a map', 'add map = "…" to the source'
            )
        elif self._path.suffix.lower() in {".log", ".asc", ".blf"}:
            raise ConfigError(
                f'source "{config.name}": a capture needs a binding', 'add binding = "…" to the source'
            )
        self._rows: Iterator[Row] | None = None
        self._began: tuple[float, int] | None = None
        self.identity: dict[str, str] = {}

    @property
    def subjects(self) -> tuple[Subject, ...]:
        """The pack or witness."""
        return (self._config.subject,)

    @property
    def place(self) -> str:
        """File."""
        return f"file {self._path}"

    @property
    def bit_names(self) -> dict[str, dict[int, str]]:
        """Names of warning and protection bits, if a binding or map gives them."""
        return {} if self._meaning is None else self._meaning.bit_names

    @property
    def complaint(self) -> str | None:
        """Always None: a file has its own pace."""
        return None

    async def open(self) -> None:
        """Begin at the beginning."""
        self._rows = self._csv_rows() if self._meaning is None else self._capture_rows(self._meaning)
        self._began = None

    def _capture_rows(self, meaning: Binding | RegisterMap) -> Iterator[Row]:
        from adapters.captures import rounds

        return rounds(self._path, meaning, period_s=self._config.period_s)

    def _csv_rows(self) -> Iterator[Row]:
        from adapters.csv_import import read_tables

        catalogue = CATALOGUE if self._config.pack is not None else WITNESS_CATALOGUE
        for table in read_tables(self._path, catalogue):
            for row in table.to_pylist():
                yield row.pop("time_ms"), {name: raw for name, raw in row.items() if raw is not None}, {}

    async def read(self) -> Reading:
        """Return the next row, waiting for its time if a speed is set.

        Raises
        ------
        StopAsyncIteration
            At the end of the file.
        SourceLost
            If the file is no longer readable, or not open.
        """
        if self._rows is None:
            raise SourceLost(f"{self.place}: not open", "open it first")
        try:
            row = next(self._rows, None)
        except ImportFormatError as exc:
            raise SourceLost(exc.message, exc.remedy) from exc
        if row is None:
            raise StopAsyncIteration
        time_ms, values, rejected = row
        await self._wait(time_ms)
        return Reading(self._config.subject, time.monotonic(), values, rejected, time_ms)

    async def _wait(self, time_ms: int) -> None:
        if self._config.speed <= 0:
            return
        now = time.monotonic()
        if self._began is None:
            self._began = (now, time_ms)
        due_s = self._began[0] + (time_ms - self._began[1]) / 1000 / self._config.speed
        await asyncio.sleep(max(0.0, due_s - now))

    async def close(self) -> None:
        """Let go of the file. Never raises."""
        self._rows = None
