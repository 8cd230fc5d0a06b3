"""From the record to histories: which days, with how much detail, and nothing left switched off."""

from __future__ import annotations

import gc
from datetime import date
from pathlib import Path

from logger.config import Config
from logger.record.histories import bank, last_whole_week, not_collecting
from logger.record.store import Store
from tests.logger.made import make_day

VIENNA = '[site]\nname = "Orchard"\ntimezone = "Europe/Vienna"\n'


def config(folder: Path, packs: str = '[[pack]]\nname = "A"\ncells = 4\n') -> Config:
    (folder / "bank.toml").write_text(VIENNA + packs, encoding="utf-8")
    return Config.load(folder / "bank.toml")


def test_a_bank_ends_with_the_day_asked_for(store: Store, tmp_path: Path) -> None:
    for day in ("2026-02-05", "2026-02-06", "2026-02-07"):
        store.adopt("A", make_day(day, period_s=300), now_ms=1_900_000_000_000)
    assert store.newest_day() == "2026-02-07"
    made = bank(store, config(tmp_path), date(2026, 2, 6))
    assert [pack.days for pack in made.packs] == [("2026-02-05", "2026-02-06")]
    assert made.timezone == "Europe/Vienna"


def test_detail_is_read_of_the_last_400_days_only(store: Store, tmp_path: Path) -> None:
    for day in ("2024-12-01", "2026-02-05"):
        store.adopt("A", make_day(day, period_s=300), now_ms=1_900_000_000_000)
    long_ago, lately = bank(store, config(tmp_path)).packs[0].digests
    assert (long_ago.runs, bool(lately.runs)) == ((), True)
    assert long_ago.flow.total.ah_in > 0


def test_a_pack_without_a_reading_is_an_empty_history(store: Store, tmp_path: Path) -> None:
    assert store.newest_day() is None
    assert bank(store, config(tmp_path)).packs[0].days == ()


def test_the_collector_works_again_afterwards() -> None:
    with not_collecting():
        assert not gc.isenabled()
        with not_collecting():
            pass
        assert not gc.isenabled()
    assert gc.isenabled()


def test_the_last_whole_week_begins_on_a_monday(tmp_path: Path) -> None:
    """Monday 2026-01-19 00:30 in Vienna is still Sunday in UTC; the week of the 12th is over. Calendar."""
    assert last_whole_week(config(tmp_path), 1_768_779_000.0) == date(2026, 1, 12)
