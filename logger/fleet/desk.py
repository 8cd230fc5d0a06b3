"""What the desk knows of each bank, and the report that says where to go first."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from logger.fleet import summary
from logger.fleet.compute import Made, Progress, Workers, bank_of
from logger.fleet.sources import FleetSource, open_source

if TYPE_CHECKING:
    from analysis.fleet.visits import BankState
    from analysis.history import Bank

KNOWN_FILE = "fleet-known.json"
"""Beside the reports: the findings of the last report, so that the next can say which are new."""


@dataclass(frozen=True, slots=True)
class Desk:
    """Everything the report needs: a state for each bank, and its digests for a page of its own."""

    source: FleetSource
    states: tuple[BankState, ...]
    made: dict[str, list[Made]]


def _said(source: FleetSource, name: str) -> BankState | None:
    """Return what a bank said of itself, None if it did not."""
    from analysis.fleet.visits import BankState

    packs, found = source.summary(name), source.findings(name)
    return None if packs is None or found is None else BankState(name, source.last_day(name), packs, found)


def state_of(place: str, name: str, made: Sequence[Made]) -> BankState:
    """Return what a bank's digests say here."""
    from analysis.findings import findings
    from analysis.fleet.visits import BankState

    source = open_source(place)
    bank = bank_of(source, name, made)
    return BankState(name, source.last_day(name), summary.summarise(name, bank), findings(bank))


def _state(job: tuple[str, str, Sequence[Made]]) -> BankState:
    return state_of(*job)


def gather(place: str, made: Sequence[Made], on: Workers, progress: Progress | None = None) -> Desk:
    """Return the desk over every bank of a source.

    Banks that said nothing of themselves are analysed by the workers.

    Parameters
    ----------
    place : str
        Folder of exported days, or the central database's address.
    made : sequence of Made
        Digests that the source does not keep.
    on : Workers
    progress : callable, optional
        Called with (banks done, banks).
    """
    source = open_source(place)
    by_bank: dict[str, list[Made]] = {}
    for m in made:
        by_bank.setdefault(m.bank, []).append(m)
    names = source.banks()
    states: list[BankState] = []
    todo = []
    for name in names:
        said = _said(source, name)
        if said is None:
            todo.append((place, name, tuple(by_bank.get(name, ()))))
        else:
            states.append(said)
    for found in on.map(_state, todo) if todo else ():
        states.append(found)
        if progress is not None:
            progress(len(states), len(names))
    return Desk(source, tuple(sorted(states, key=lambda s: s.bank)), by_bank)


Known = dict[str, set[tuple[str, str, int | None]]]


def load_known(folder: Path, today: str) -> tuple[str, Known]:
    """Return the day of the last report before today's, and its findings; "" and none if there was none."""
    reports = [r for r in _reports(folder) if r["day"] < today]
    if not reports:
        return "", {}
    last = max(reports, key=lambda r: str(r["day"]))
    return str(last["day"]), {bank: {(k, p, c) for k, p, c in rows} for bank, rows in last["banks"].items()}


def save_known(folder: Path, today: str, states: Sequence[BankState]) -> None:
    """Keep the findings of this report for the next, and those of the one before, should this be repeated."""
    from analysis.fleet.visits import identity

    kept = {s.bank: sorted((list(identity(f)) for f in s.findings), key=str) for s in states}
    earlier = sorted((r for r in _reports(folder) if r["day"] < today), key=lambda r: str(r["day"]))
    folder.mkdir(parents=True, exist_ok=True)
    reports = [*earlier[-1:], {"day": today, "banks": kept}]
    (folder / KNOWN_FILE).write_text(json.dumps({"reports": reports}, indent=1) + "\n")


def _reports(folder: Path) -> list[dict[str, Any]]:
    try:
        return list(json.loads((folder / KNOWN_FILE).read_text())["reports"])
    except (OSError, ValueError, KeyError, TypeError):
        return []  # none yet, or not readable: everything is new


def write_desk(
    desk: Desk,
    folder: Path,
    today: str,
    *,
    own_reports: int = 5,
    progress: Progress | None = None,
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
    from analysis.fleet.visits import visits
    from analysis.report import html, pdf
    from analysis.report.fleet import fleet_json, fleet_report
    from logger.documents.report_files import write_whole

    before, known = load_known(folder, today)
    listed = visits(desk.states, today, known)
    own = [v.bank for v in listed if v.calls][:own_reports]
    hrefs: dict[str, str] = {}
    for done, name in enumerate(own, 1):
        page = _own_report(bank_of(desk.source, name, desk.made.get(name, [])), name, folder / "banks")
        if page is not None:
            hrefs[name] = f"banks/{page.name}"
        if progress is not None:
            progress(done, len(own))
    report = fleet_report(desk.states, listed, today, hrefs, before)
    found = fleet_json(desk.states, listed, today, hrefs)
    numbers = json.dumps(found, ensure_ascii=False, indent=1, allow_nan=False)
    contents = {
        ".html": html.render(report).encode(),
        ".pdf": pdf.render(report),
        ".json": (numbers + "\n").encode(),
    }
    paths = [write_whole(folder / f"fleet-{today}{end}", content) for end, content in contents.items()]
    save_known(folder, today, desk.states)
    return paths


def _own_report(bank: Bank, name: str, folder: Path) -> Path | None:
    from analysis.findings import findings
    from analysis.health import health
    from analysis.report.html import render
    from analysis.report.week import week_of, week_report
    from logger.documents.report_files import write_whole

    last = max((h.days[-1] for h in bank.packs if h.days), default=None)
    if last is None:
        return None
    first, end = week_of(date.fromisoformat(last) - timedelta(days=6))  # the last whole week
    now = health(bank, first, end)
    report = week_report(bank, findings(bank, known=now), now, site=name)
    safe = "".join(c if c.isalnum() or c in "-_" else "-" for c in name)
    return write_whole(folder / f"{safe}.html", render(report).encode())
