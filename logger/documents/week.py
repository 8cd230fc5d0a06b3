"""The weekly report: from the record to files."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from adapters.errors import StoreError
from logger.documents.on_record import instead
from logger.documents.report_files import keep_and_write, reading_units
from logger.record.histories import bank as bank_of

if TYPE_CHECKING:
    from analysis.finding import Finding
    from analysis.health import Health
    from analysis.history import Bank
    from analysis.report.value import Report
    from logger.config import Config
    from logger.record.store import Store


def write_week(store: Store, config: Config, day: date, out_dir: Path | None = None) -> list[Path]:
    """Write the report of the local week that holds a day.

    Parameters
    ----------
    store : Store
        Findings and numbers are kept in it if it was opened for writing.
    config : Config
    day : datetime.date
        Any local day of the week, Monday to Sunday.
    out_dir : Path, optional
        Where to; the configuration's report folder if not given.

    Returns
    -------
    list of Path
        HTML, PDF, JSON.

    Raises
    ------
    StoreError
        If the week has no readings.
    """
    from analysis.findings import findings
    from analysis.health import health
    from analysis.report.week import week_of

    first, last = week_of(day)
    bank = bank_of(store, config, date.fromisoformat(last))
    if not any(first <= d <= last for pack in bank.packs for d in pack.days):
        raise StoreError(f"nothing was recorded of a pack from {first} to {last}", instead(store, config))
    now = health(bank, first, last)
    found = findings(bank, known=now)
    report = make_week(bank, config, now, found)
    if store.write and _is_newest(store, last):
        store.save_findings(found)
    return keep_and_write(store, config, report, out_dir, f"week-{first}")


def make_week(bank: Bank, config: Config, now: Health, found: Sequence[Finding]) -> Report:
    """Compose the report of one week of a bank that ends with it, from its health and what was found."""
    from analysis.report.week import earlier_times, week_report

    return week_report(
        bank,
        found,
        now,
        site=config.site.name,
        earlier=earlier_times(bank, now.first),
        units=reading_units(config),
    )


def _is_newest(store: Store, last: str) -> bool:
    """Whether no day after the week is over: only then does what was found in it stand now."""
    return (store.newest_day() or last) <= last
