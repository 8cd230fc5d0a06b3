"""What the desk knows of each bank, and the report that says where to go first."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from logger.fleet.compute import Made, bank_of
from logger.fleet.sources import FleetSource

if TYPE_CHECKING:
    from analysis.health import PackHealth
    from analysis.history import Bank, History
    from analysis.peers import PackSummary
    from analysis.visits import BankState

KNOWN_FILE = "fleet-known.json"
"""Beside the reports: the findings of the last report, so that the next can say which are new."""


@dataclass(frozen=True, slots=True)
class Desk:
    """Everything the report needs: a state and a history for each bank."""

    states: tuple[BankState, ...]
    banks: dict[str, Bank]


def _numbers(pack: PackHealth) -> dict[str, float]:
    found = {
        "round_trip_efficiency_1": pack.efficiency.round_trip.value,
        "capacity_share_1": pack.capacity.of_rated.value,
        "heater_wh_a_day": pack.cold.energy_per_day.value,
        "worst_leak_ma": max(
            (c.leak.value for c in pack.imbalance.cells if c.leak.value is not None), default=None
        ),
    }
    return {name: float(value) for name, value in found.items() if value is not None}


def _climate(pack: PackHealth) -> float | None:
    """Return the mean ambient of the record, or the mean of the coldest cell without one. [°C]"""
    for values in ([p.ambient_c for p in pack.cold.days], [p.cell_min_c for p in pack.cold.days]):
        known = [v for v in values if math.isfinite(v)]
        if known:
            return sum(known) / len(known)
    return None


def _summary(bank: str, history: History, pack: PackHealth) -> PackSummary:
    from analysis.peers import PackSummary

    facts = history.facts
    first = facts.installed or (history.days[0] if history.days else None)
    last = history.days[-1] if history.days else None
    age = (
        0.0 if first is None or last is None else (date.fromisoformat(last) - date.fromisoformat(first)).days
    )
    return PackSummary(
        bank, pack.name, facts.n_cells, facts.rated_ah, float(age), _climate(pack), _numbers(pack)
    )


def state_of(source: FleetSource, name: str, made: Sequence[Made]) -> tuple[BankState, Bank]:
    """Return one bank's state: the findings it sent itself, or those computed here from its digests."""
    from analysis.findings import findings
    from analysis.health import health
    from analysis.visits import BankState

    bank = bank_of(source, name, made)
    sent = source.findings(name)
    all_health = health(bank)
    packs = tuple(
        _summary(name, history, pack)
        for history, pack in zip(bank.packs, all_health.packs, strict=True)
        if history.days
    )
    last = max((h.days[-1] for h in bank.packs if h.days), default="")
    return BankState(name, last, packs, findings(bank) if sent is None else sent), bank


def gather(
    source: FleetSource, made: Sequence[Made], progress: Callable[[int, int], None] | None = None
) -> Desk:
    """Return the desk over every bank of a source."""
    by_bank: dict[str, list[Made]] = {}
    for m in made:
        by_bank.setdefault(m.bank, []).append(m)
    states, banks = [], {}
    names = source.banks()
    for done, name in enumerate(names, 1):
        state, bank = state_of(source, name, by_bank.get(name, []))
        states.append(state)
        banks[name] = bank
        if progress is not None:
            progress(done, len(names))
    return Desk(tuple(states), banks)


def load_known(folder: Path) -> dict[str, set[tuple[str, str, int | None]]]:
    """Return the findings of the last report; nothing if there was none or its file cannot be read."""
    try:
        kept = json.loads((folder / KNOWN_FILE).read_text())
        return {bank: {(k, p, c) for k, p, c in rows} for bank, rows in kept.items()}
    except (OSError, ValueError):
        return {}


def save_known(folder: Path, states: Sequence[BankState]) -> None:
    """Keep the findings of this report for the next."""
    from analysis.visits import identity

    kept = {s.bank: sorted((list(identity(f)) for f in s.findings), key=str) for s in states}
    folder.mkdir(parents=True, exist_ok=True)
    (folder / KNOWN_FILE).write_text(json.dumps(kept, indent=1) + "\n")


def write_desk(
    desk: Desk,
    folder: Path,
    today: str,
    *,
    own_reports: int = 20,
    progress: Callable[[int, int], None] | None = None,
) -> list[Path]:
    """Write the desk's report, and a bank's own report for each of the first of the list.

    Parameters
    ----------
    desk : Desk
    folder : pathlib.Path
        Made if it is not there.
    today : str
        Date of the report.
    own_reports : int
        How many banks from the top of the list get their own report beside it.
    progress : callable, optional
        Called with (own reports done, to do).

    Returns
    -------
    list of pathlib.Path
        The desk's HTML, PDF and JSON first.
    """
    from analysis.report.fleet import fleet_report
    from analysis.report.numbers import METRIC
    from analysis.visits import visits
    from logger.report_files import write_report

    listed = visits(desk.states, today, load_known(folder))
    own = [v.bank for v in listed if v.score > 0][:own_reports]
    hrefs: dict[str, str] = {}
    for done, name in enumerate(own, 1):
        page = _own_report(desk.banks[name], name, folder / "banks")
        if page is not None:
            hrefs[name] = f"banks/{page.name}"
        if progress is not None:
            progress(done, len(own))
    report = fleet_report(desk.states, listed, today, hrefs)
    paths = write_report(report, METRIC, folder, f"fleet-{today}")
    save_known(folder, desk.states)
    return paths


def _own_report(bank: Bank, name: str, folder: Path) -> Path | None:
    from analysis.findings import findings
    from analysis.health import health
    from analysis.report.html import render
    from analysis.report.week import week_of, week_report
    from logger.report_files import write_whole

    last = max((h.days[-1] for h in bank.packs if h.days), default=None)
    if last is None:
        return None
    first, end = week_of(date.fromisoformat(last))
    report = week_report(bank, findings(bank), health(bank, first, end), site=name)
    safe = "".join(c if c.isalnum() or c in "-_" else "-" for c in name)
    return write_whole(folder / f"{safe}.html", render(report).encode())


def as_json(desk: Desk) -> list[dict[str, object]]:
    """Return the states as plain values for a script."""
    return [asdict(state) for state in desk.states]
