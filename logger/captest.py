"""The guided capacity test over the record: it can be left and taken up again, for it is in the readings.

When a test begins, only its beginning is kept. Each look goes through the readings since then, so that a
closed terminal, a stopped logger or another machine changes nothing.
"""

from __future__ import annotations

import json
import math
import time
from collections.abc import Iterator
from contextlib import nullcontext
from dataclasses import asdict
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
from rich.console import Console
from rich.live import Live
from rich.progress_bar import ProgressBar
from rich.table import Table
from rich.text import Text

from adapters.base import Subject
from adapters.channels import CATALOGUE, cell_name, temp_name
from adapters.errors import StoreError
from analysis.packs.captest import CapReading, CapState, CapStep, advance, cut_off

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    import pyarrow as pa

    from analysis.facts import PackFacts
    from logger.config import Config
    from logger.record.store import Store

LOOK_S = 5.0
"""How often a running test looks at the record. [s]"""
REMIND_S = 600.0
"""How often a line is written without a terminal while nothing changes. [s]"""
SILENT_S = 60.0
"""How old the newest reading may be before that is said. [s]"""
WAITING = "waiting for a reading: is `bankbook log` running?"


class Follow:
    """One test of one pack, from its beginning to the newest reading."""

    def __init__(self, store: Store, facts: PackFacts, start_s: float) -> None:
        self._store = store
        self._facts = facts
        self._last_s = start_s - 1e-3
        self._allowed = True
        self.state = CapState()
        self.step: CapStep | None = None

    def update(self, now_s: float) -> CapStep | None:
        """Take in every reading that is new; return the machine's last step, None before the first."""
        for table in () if self.over else self._tables(now_s):
            for reading, allowed in readings(table, self._facts, self._last_s):
                self._take(reading, allowed=allowed)
                if self.over:
                    return self.step
        return self.step

    @property
    def over(self) -> bool:
        """Whether the test has come to its end, one way or the other."""
        return self.state.phase in {"done", "rejected"}

    def silent_s(self, now_s: float) -> float:
        """How old the newest reading is; 0 before the first. [s]"""
        return 0.0 if self.step is None or self.over else now_s - self._last_s

    def _take(self, reading: CapReading, *, allowed: bool) -> None:
        self._last_s = reading.time_s
        self.step = advance(self.state, reading, self._facts)
        self.state = self.step.state
        if self._allowed and not allowed and self.state.phase == "discharge":
            self.step = advance(cut_off(self.state, self._facts), reading, self._facts)
            self.state = self.step.state
        self._allowed = allowed

    def _tables(self, now_s: float) -> Iterator[pa.Table]:
        zone = self._store.zone
        day = datetime.fromtimestamp(max(self._last_s, 0), zone).date()
        last = datetime.fromtimestamp(now_s, zone).date()
        while day <= last:
            yield self._store.table(Subject(self._facts.name), day.isoformat())
            day += timedelta(days=1)


def readings(table: pa.Table, facts: PackFacts, after_s: float) -> Iterator[tuple[CapReading, bool]]:
    """Yield what the machine needs of each reading after an instant, and whether discharging was allowed."""
    import pyarrow.compute as pc

    table = table.filter(pc.greater(table["time_ms"], round(after_s * 1000)))
    if table.num_rows == 0:
        return
    n = table.num_rows
    cells = np.array([_column(table, cell_name(i), n) for i in range(1, facts.n_cells + 1)])
    temps = np.array(
        [_column(table, temp_name(i), n) for i in range(1, facts.cell_temps + 1)] or [np.full(n, np.nan)]
    )
    seen = ~np.isnan(cells).all(axis=0)
    allowed = _column(table, "discharge_enabled", n)
    columns = [_column(table, name, n) for name in ("pack_a", "pack_v")]
    median, lowest, warm = np.full((3, n), np.nan)
    median[seen], lowest[seen] = np.nanmedian(cells[:, seen], axis=0), np.nanmin(cells[:, seen], axis=0)
    known = ~np.isnan(temps).all(axis=0)
    warm[known] = np.nanmean(temps[:, known], axis=0)
    times = table.column("time_ms").to_numpy() / 1000
    for row in zip(
        times.tolist(), *(c.tolist() for c in (*columns, median, lowest, warm)), allowed.tolist(), strict=True
    ):
        yield CapReading(*row[:6]), row[6] != 0


def _column(table: pa.Table, name: str, n: int) -> Any:
    if name not in table.column_names:
        return np.full(n, np.nan)
    raw = table.column(name).to_numpy(zero_copy_only=False).astype(float)
    return raw * CATALOGUE[name].scale


def beginning(store: Store, pack: str, since: date | None, now_s: float) -> float:
    """Return when the test began: the day asked for, the test that is under way, else now.

    Raises
    ------
    StoreError
        If a new test is to begin and the record cannot be written.
    """
    if since is not None:
        return datetime(since.year, since.month, since.day, tzinfo=store.zone).timestamp()
    kept = store.meta(_key(pack))
    if kept:
        return float(json.loads(kept)["start_s"])
    store.set_meta(_key(pack), json.dumps({"start_s": now_s}))
    return now_s


def abandon(store: Store, pack: str) -> bool:
    """Forget the test that is under way; return whether there was one."""
    kept = bool(store.meta(_key(pack)))
    if kept:
        store.set_meta(_key(pack), "")
    return kept


def follow(
    store: Store,
    config: Config,
    pack: str,
    start_s: float,
    *,
    console: Console | None = None,
    look_s: float = LOOK_S,
) -> CapStep:
    """Guide a person until the test is done or rejected, or they leave.

    On a terminal one picture is kept up to date. Elsewhere (a pipe, a file, a service) it begins with a line
    that says what is being done, and a line follows at each new phase, and every ten minutes between.

    Raises
    ------
    StoreError
        If the pack gave no reading until the person left.
    """
    test = Follow(store, config.pack_facts(pack), start_s)
    console = console or Console(highlight=False)
    with Live(console=console, auto_refresh=False) if console.is_terminal else nullcontext() as live:
        lines = None if live else Lines(console, pack, store.zone, look_s)
        while True:
            now_s = time.time()
            step = test.update(now_s)
            if lines is not None:
                lines.tell(step, test.silent_s(now_s), now_s)
            elif live is not None:
                live.update(_picture(pack, step, test.silent_s(now_s)), refresh=True)
            if step is not None and test.over:
                finish(store, pack, step)
                return step
            try:
                time.sleep(look_s)
            except KeyboardInterrupt:
                if step is None:
                    raise StoreError(
                        f"pack {pack} gave no reading yet", "is `bankbook log` running?"
                    ) from None
                return step


class Lines:
    """A test told in lines, for wherever no terminal is.

    Parameters
    ----------
    console : Console
    pack : str
    zone : ZoneInfo
        The site's, for the times of lines.
    look_s : float
        How often the record is looked at. [s]
    """

    def __init__(self, console: Console, pack: str, zone: ZoneInfo, look_s: float) -> None:
        self._console = console
        self._zone = zone
        self._phase = ""
        self._told_s = 0.0
        self._quiet = False
        console.print(
            f"Capacity test of pack {pack}: looking at the record every {look_s:g} s until it is over. "
            "It may be left at any time; the same command takes it up again, --once tells where it stands.",
            soft_wrap=True,
        )

    def tell(self, step: CapStep | None, silent_s: float, now_s: float) -> None:
        """Print a line if there is something new to say. [s]"""
        phase = "waiting" if step is None else step.state.phase
        quiet = silent_s > SILENT_S
        if (phase, quiet) == (self._phase, self._quiet) and now_s - self._told_s < REMIND_S:
            return
        self._phase, self._quiet, self._told_s = phase, quiet, now_s
        clock = datetime.fromtimestamp(now_s, self._zone).strftime("%H:%M")
        said = WAITING if step is None else f"{phase}: {step.say}"
        self._console.print(f"{clock} {said}", soft_wrap=True)
        if quiet and step is not None:
            self._console.print(f"{clock} {_silence(silent_s)}", soft_wrap=True)
        if step is not None and step.capacity is not None:
            self._console.print(_capacity(step), soft_wrap=True)
        self._console.file.flush()


def _silence(silent_s: float) -> str:
    return f"no reading for {silent_s / 60:.0f} min: is `bankbook log` running?"


def _capacity(step: CapStep) -> str:
    from logger.tables import estimate

    if step.capacity is None:
        return ""
    return f"capacity {estimate(step.capacity)}   [{step.capacity.basis}]"


def finish(store: Store, pack: str, step: CapStep) -> None:
    """Keep the outcome and forget the beginning."""
    day = (
        datetime.fromtimestamp(step.state.last.time_s if step.state.last else 0.0, store.zone)
        .date()
        .isoformat()
    )
    store.save_report("captest", day, day, json.dumps({"pack": pack, **as_json(step)}, allow_nan=False))
    store.set_meta(_key(pack), "")


def as_json(step: CapStep) -> dict[str, Any]:
    """Return where a test stands, for JSON."""
    state = step.state
    return {
        "phase": state.phase,
        "say": step.say,
        "progress": step.progress,
        "ah": state.ah if math.isfinite(state.ah) else None,
        "wh": state.wh if math.isfinite(state.wh) else None,
        "reasons": list(state.reasons),
        "capacity": None if step.capacity is None else asdict(step.capacity),
        "energy": None if step.energy is None else asdict(step.energy),
    }


def _picture(pack: str, step: CapStep | None, silent_s: float) -> Table:
    grid = Table.grid(padding=(0, 1))
    grid.add_row(Text(f"Capacity test of pack {pack}", "bold"))
    if step is None:
        grid.add_row(WAITING)
        return grid
    grid.add_row(ProgressBar(total=1.0, completed=step.progress, width=40))
    grid.add_row(Text(f"{step.state.phase}: {step.say}"))
    if silent_s > SILENT_S:
        grid.add_row(Text(_silence(silent_s), "bold yellow"))
    if step.capacity is not None:
        grid.add_row(Text(_capacity(step)))
    grid.add_row(Text("Ctrl-C leaves; the same command takes it up again.", "dim"))
    return grid


def _key(pack: str) -> str:
    return f"captest {pack}"
