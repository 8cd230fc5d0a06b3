"""From the record to what the analysis takes: digests in a row, one history a pack."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from analysis.history import Bank
    from logger.config import Config
    from logger.record.store import Store


def bank(store: Store, config: Config, last: date | None = None) -> Bank:
    """Return the whole bank's history up to and including a day.

    Parameters
    ----------
    store : Store
        The record, open for reading or writing.
    config : Config
        Whose packs, facts and time zone to use.
    last : date, optional
        The last local day to include; all if not given.
    """
    from analysis.history import Bank, History

    until = None if last is None else last.isoformat()
    recent = _recent_from(store, last)
    with not_collecting():
        packs = tuple(
            History.of(config.pack_facts(name), store.digests(name, last=until, detail_from=recent))
            for name in config.pack_names
        )
        gc.freeze()  # a million small values that stay: they need not be walked again and again
    return Bank(packs, config.site.timezone)


@contextmanager
def not_collecting() -> Iterator[None]:
    """Pause the collector of cycles: it would walk thousands of small values, all of which stay."""
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


def _recent_from(store: Store, last: date | None) -> str | None:
    """Return the day from which the digests' detail is wanted; None wants all of it."""
    from analysis.history import LOOK_BACK_DAYS

    if last is None:
        newest = store.newest_day()
        if newest is None:
            return None
        last = date.fromisoformat(newest)
    return (last - timedelta(days=LOOK_BACK_DAYS)).isoformat()


def last_whole_week(config: Config, now_s: float) -> date:
    """Return the Monday of the last local week that is over, Monday to Sunday.

    Parameters
    ----------
    config : Config
        Whose time zone counts.
    now_s : float
        The present, UTC epoch seconds. [s]
    """
    today = datetime.fromtimestamp(now_s, config.zone).date()
    return today - timedelta(days=today.weekday() + 7)
