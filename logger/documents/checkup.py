"""The check-up: from the record to files."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from adapters.errors import StoreError
from logger.documents.commissioned import commissioned
from logger.documents.identity import ENTERED_NOT, READ_NOT, differing, identity_rows
from logger.documents.on_record import instead
from logger.documents.report_files import keep_and_write, reading_units
from logger.record.histories import bank as bank_of

if TYPE_CHECKING:
    from datetime import date

    from analysis.finding import Finding
    from analysis.health import Health
    from analysis.history import Bank
    from analysis.report.section_commissioning import Commissioning
    from analysis.report.value import Report
    from logger.config import Config
    from logger.record.store import Store
    from logger.record.store_identity import ReadIdentity


def write_checkup(
    store: Store, config: Config, last: date | None = None, out_dir: Path | None = None
) -> list[Path]:
    """Write the check-up since commissioning.

    Parameters
    ----------
    store : Store
        The numbers are kept in it if it was opened for writing.
    config : Config
    last : datetime.date, optional
        Last local day to look at; the newest of the record if not given.
    out_dir : Path, optional
        Where to; the configuration's report folder if not given.

    Returns
    -------
    list of Path
        HTML, PDF, JSON.

    Raises
    ------
    StoreError
        If nothing is on record.
    """
    from analysis.findings import findings
    from analysis.health import health

    bank = bank_of(store, config, last)
    if not any(pack.days for pack in bank.packs):
        raise StoreError("nothing is on record of a pack up to that day", instead(store, config))
    now = health(bank)
    found = findings(bank, known=now)
    report = make_checkup(bank, config, now, found, store.identities(), commissioned(store, config))
    return keep_and_write(store, config, report, out_dir, f"checkup-{report.last}")


def make_checkup(
    bank: Bank,
    config: Config,
    now: Health,
    found: Sequence[Finding],
    read: Sequence[ReadIdentity] = (),
    commissioning: Commissioning | None = None,
) -> Report:
    """Compose the check-up of a bank from its health and findings; `read` is what packs say they are."""
    from analysis.report.checkup import checkup_report
    from analysis.report.section_changes import past
    from analysis.report.week import BASELINE_DAYS, days_before, first_weeks

    recent_first = days_before(now.last, BASELINE_DAYS - 1)
    baseline = first_weeks(bank, recent_first)
    return checkup_report(
        bank,
        found,
        now,
        site=config.site.name,
        recent=past(bank, "Last weeks", recent_first, now.last),
        baseline=past(bank, "First weeks", *baseline) if baseline else None,
        units=reading_units(config),
        identity=tuple(
            (pack.name, *row)
            for pack in config.pack
            for row in identity_rows(pack, [r for r in read if r.subject == pack.name], config.zone)
            if row[1:] != (ENTERED_NOT, READ_NOT)
        ),
        differing=tuple(
            text
            for pack in config.pack
            for text in differing(pack, [r for r in read if r.subject == pack.name])
        ),
        commissioning=commissioning,
    )
