"""The live view over the record: reads the file beside the running logger, changes nothing."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.live import Live
from rich.text import Text
from sqlalchemy import select

from adapters.base import Subject
from adapters.channels import CATALOGUE, WITNESS_CATALOGUE, decode
from logger.alerts.bit_names import of_config
from logger.now import FORGET_S, PackView, screen, witness_line
from logger.record import store_read
from logger.record.store_write import blank, key_of, table_of

if TYPE_CHECKING:
    from logger.config import Config
    from logger.record.store import Store

BACK_ROWS = 300
"""How many readings to look back for channels that the newest one lacks."""
HINT = "Ctrl-C ends the view; the logger goes on."


class Views:
    """The packs' views, brought up to date from the record."""

    def __init__(self, store: Store, config: Config) -> None:
        self._store = store
        self._witnesses = [w.name for w in config.witness]
        self._fahrenheit = config.report.temperature == "F"
        names = of_config(config)
        self.packs = [PackView(config.pack_facts(n), names.get(n, {})) for n in config.pack_names]
        self._last_ms: dict[str, int] = {}

    def update(self) -> list[PackView]:
        """Take in what has been recorded since the last call."""
        with self._store.reading() as conn:
            numbers = store_read.subjects(conn)
            for view in self.packs:
                number = numbers.get(Subject(view.facts.name))
                if number is None:
                    continue
                table = table_of("pack")
                query = select(table).where(table.c[key_of("pack")] == number)
                query = query.where(table.c.time_ms > self._last_ms.get(view.facts.name, -(2**62)))
                query = query.order_by(table.c.time_ms.desc()).limit(BACK_ROWS)
                for row in reversed(conn.execute(query).mappings().all()):
                    values = {name: row[name] for name in blank("pack") if row[name] is not None}
                    view.update(row["time_ms"], values)
                    self._last_ms[view.facts.name] = row["time_ms"]
        return self.packs

    def witnesses(self, now_s: float) -> list[Text]:
        """Return a line for each witness that has been heard today."""
        lines = []
        for name in self._witnesses:
            seen = self._store.latest(Subject(name, "witness"))
            if seen is not None and now_s - seen.time_ms / 1000 < FORGET_S:
                values = {n: decode(WITNESS_CATALOGUE[n], raw) for n, raw in seen.values.items()}
                lines.append(
                    witness_line(name, values, now_s - seen.time_ms / 1000, fahrenheit=self._fahrenheit)
                )
        return lines


def look(
    store: Store,
    config: Config,
    *,
    seconds: float | None = None,
    whole_screen: bool = True,
    note: Callable[[], str] = lambda: HINT,
) -> None:
    """Draw the packs every second until stopped.

    Parameters
    ----------
    store, config
        The record and what it is about.
    seconds : float, optional
        Stop by itself after so long. [s]
    whole_screen : bool
        Take the whole terminal and give it back afterwards; otherwise the last picture stays.
    note : callable
        The line below the packs.
    """
    console = Console()
    if not console.is_terminal:
        if seconds is not None:
            time.sleep(seconds)
        show(store, config)
        return
    views, fahrenheit = Views(store, config), config.report.temperature == "F"
    end = None if seconds is None else time.monotonic() + seconds
    with Live(console=console, screen=whole_screen, auto_refresh=False) as live:
        try:
            while end is None or time.monotonic() < end:
                packs, now_s = views.update(), time.time()
                live.update(
                    screen(
                        packs, now_s, width=console.width, note=note(), fahrenheit=fahrenheit,
                        witnesses=views.witnesses(now_s),
                    ),
                    refresh=True,
                )  # fmt: skip
                time.sleep(1.0)
        except KeyboardInterrupt:
            return


def show(store: Store, config: Config) -> None:
    """Draw the packs once."""
    console = Console()
    width = console.width if console.is_terminal else 100
    views, now_s = Views(store, config), time.time()
    fahrenheit = config.report.temperature == "F"
    packs = views.update()
    console.print(screen(packs, now_s, width=width, fahrenheit=fahrenheit, witnesses=views.witnesses(now_s)))


def latest_json(store: Store, config: Config) -> list[dict[str, Any]]:
    """Return the newest value of every channel, in physical units, with its time; packs, then witnesses."""
    out: list[dict[str, Any]] = []
    for view in Views(store, config).update():
        values = {name: {"value": value, "time_s": at} for name, (value, at) in sorted(view.seen.items())}
        units = {name: CATALOGUE[name].unit for name in values}
        out.append({"pack": view.facts.name, "newest_s": view.newest_s, "values": values, "units": units})
    for witness in config.witness:
        row = store.latest(Subject(witness.name, "witness"))
        seen = {} if row is None else {n: decode(WITNESS_CATALOGUE[n], raw) for n, raw in row.values.items()}
        out.append(
            {"witness": witness.name, "newest_s": None if row is None else row.time_ms / 1000, "values": seen}
        )
    return out
