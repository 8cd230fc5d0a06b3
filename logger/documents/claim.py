"""The claim file: a folder and a zip with the document and everything behind it."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from adapters.errors import ConfigError, StoreError
from logger.documents import claim_files
from logger.documents.claim_facts import Wish, claim_facts
from logger.documents.identity import WITHHELD
from logger.documents.report_files import reading_units, write_report
from logger.documents.timestamp import stamp, stamped_time
from logger.record.histories import bank as bank_of

if TYPE_CHECKING:
    from analysis.report.value import Report
    from logger.config import Config
    from logger.record.store import Store
    from logger.record.store_types import SealedDay


@dataclass(frozen=True, slots=True)
class Claim:
    """Where the claim is, and what is in it.

    Attributes
    ----------
    folder, archive : Path
    days : int
        Sealed days enclosed.
    manifest_sha256 : str
        Hash of the list of files: note it, and nothing can be exchanged unseen.
    stamped : str
        Time named by the authority; empty without a time stamp.
    supports : bool
        Whether the record says anything of the pack that a claim could rest on.
    """

    folder: Path
    archive: Path
    days: int
    manifest_sha256: str
    stamped: str
    supports: bool


def write_claim(
    store: Store,
    config: Config,
    wish: Wish,
    *,
    now_s: float,
    out_dir: Path | None = None,
    on_step: Callable[[str], None] = lambda _: None,
) -> Claim:
    """Write the claim file of one pack.

    Parameters
    ----------
    store : Store
    config : Config
    wish : Wish
    now_s : float
        The present, UTC epoch seconds. [s]
    out_dir : Path, optional
        Where to; the configuration's report folder if not given.
    on_step : callable
        Told in words what is done next.

    Raises
    ------
    ConfigError
        If there is no such pack, or no reason is given.
    StoreError
        If the pack has no sealed day.
    """
    config.pack_facts(wish.pack)
    if not wish.reason.strip():
        raise ConfigError("a claim needs a reason", 'say it in a sentence: --reason "Cell 11 loses charge"')
    days = [d for d in store.sealed_days(wish.pack, first=wish.first, last=wish.last) if d.kind == "pack"]
    if not days:
        raise StoreError(
            f"no day of pack {wish.pack} is sealed in that time", "run `bankbook seal`, or name other days"
        )
    today = f"{datetime.fromtimestamp(now_s, config.zone):%Y-%m-%d}"
    final = (out_dir or config.report_folder) / f"claim-{wish.pack}-{today}"
    folder = final.parent / f".{final.name}.part" / final.name
    shutil.rmtree(folder.parent, ignore_errors=True)
    folder.mkdir(parents=True)
    claim_files.write_days(
        store, wish.pack, days, folder, csv=wish.csv, on_day=lambda day: on_step(f"enclosing {day}")
    )
    claim_files.write_chain(store, folder)
    claim_files.write_channels(folder)
    claim_files.write_how(folder)
    on_step("computing what the record says")
    report, supports = _report(store, config, wish, days)
    write_report(report, reading_units(config), folder, "claim")
    manifest, archive, stamped = _closed(folder, final, wish.authority)
    return Claim(final, archive, len(days), manifest, stamped, supports)


def _closed(folder: Path, final: Path, authority: str | None) -> tuple[str, Path, str]:
    """List, stamp and pack what the folder holds, then put folder and zip where they belong.

    Returns
    -------
    (str, Path, str)
        Hash of the list, the zip, the time stamped.
    """
    manifest = claim_files.write_manifest(folder)
    listed = claim_files.hash_of(manifest)
    stamped = stamped_time(stamp(manifest, authority)[1]) if authority else ""
    archive = claim_files.write_zip(folder).replace(final.with_name(final.name + ".zip"))
    shutil.rmtree(final, ignore_errors=True)
    folder.replace(final)
    shutil.rmtree(folder.parent)
    return listed, archive, stamped


def _report(store: Store, config: Config, wish: Wish, days: list[SealedDay]) -> tuple[Report, bool]:
    """Compose the document; and whether the record supports anything."""
    from analysis.findings import findings
    from analysis.health import health
    from analysis.report.claim import claim_report, supports

    bank = bank_of(store, config)
    now = health(bank)
    found = findings(bank, known=now)
    report = claim_report(
        bank,
        found,
        now,
        claim_facts(store, config, wish, days),
        pack=wish.pack,
        site=WITHHELD if wish.redact else config.site.name,
        units=reading_units(config),
    )
    return report, supports(next(p for p in now.packs if p.name == wish.pack), found)
