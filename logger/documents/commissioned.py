"""The commissioning check that the record keeps, beside the same look at the newest readings."""

from __future__ import annotations

import json
from datetime import datetime
from typing import TYPE_CHECKING, Any

from adapters.base import Subject
from logger.commissioning.commission import Check, Screens, Values, judge, physical

if TYPE_CHECKING:
    from analysis.report.section_commissioning import Commissioning
    from logger.config import Config
    from logger.record.store import Store
    from logger.settings import Pack

SAMPLES = 120
"""So many of the newest readings are looked at."""
AGAIN = ("every cell", "sum of cells", "temperature sensors", "limits, protections")
"""What readings alone can tell again; the rest needs somebody before the screens."""


def commissioned(store: Store, config: Config) -> Commissioning | None:
    """Return the first check that found nothing wrong, or else the newest, beside the same look now.

    Parameters
    ----------
    store : Store
    config : Config

    Returns
    -------
    Commissioning or None
        None if no check is on record.
    """
    from analysis.report.dates import long_day
    from analysis.report.section_commissioning import Commissioning, Look

    kept: list[dict[str, Any]] = [json.loads(row["numbers"]) for row in store.reports("commissioning")]
    if not kept:
        return None
    base = next((one for one in kept if one["good"]), kept[-1])
    looks, newest_ms = [], 0
    for pack in config.pack:
        now, at_ms = _now(store, config, pack)
        newest_ms = max(newest_ms, at_ms)
        for told in base["checks"]:
            if told["subject"] == pack.name and told["name"] in AGAIN:
                again = now.get(told["name"])
                seen = "no reading is on record" if again is None else again.text
                verdict = None if again is None else again.verdict
                looks.append(
                    Look(pack.name, told["name"], told["text"], seen, _good(told["verdict"]), _good(verdict))
                )
    moment = datetime.fromtimestamp(newest_ms / 1000, config.zone)
    newest = f"{long_day(moment.date().isoformat())}, {moment:%H:%M}" if newest_ms else "no reading"
    return Commissioning(base["day"], newest, tuple(looks))


def _good(verdict: str | None) -> bool | None:
    return {"good": True, "bad": False}.get(verdict or "")


def _now(store: Store, config: Config, pack: Pack) -> tuple[dict[str, Check], int]:
    """Judge the newest readings as the commissioning check does; with the time of the last."""
    subject = Subject(pack.name)
    days = store.days(subject)
    if not days:
        return {}, 0
    table = store.table(subject, days[-1])
    rows = table.slice(max(table.num_rows - SAMPLES, 0)).to_pylist()
    samples: list[Values] = [physical({k: v for k, v in row.items() if v is not None}) for row in rows]
    if not samples:
        return {}, 0
    checks = judge(config.pack_facts(pack.name), pack.temps, samples, Screens())
    return {check.name: check for check in checks}, int(rows[-1]["time_ms"])
