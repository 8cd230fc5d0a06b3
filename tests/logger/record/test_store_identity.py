from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any

import pytest

from logger.record import schema, store_clock
from logger.record.salvage import salvage
from logger.record.store import Store
from logger.record.store_identity import ReadIdentity, note_identity
from logger.recording.clock import Trust

NOW = 1_770_000_000_000
HOUR = 3_600_000


def note(store: Store, texts: dict[str, str], at_ms: int, **more: Any) -> int:
    with store.writing() as conn:
        return note_identity(conn, "A", "line-1", texts, at_ms, **more)


def test_the_first_word_is_kept_with_its_date_and_is_no_event(store: Store) -> None:
    assert note(store, {"serial": "SN-1", "model": "M48", "blank": "  \x00 "[:2]}, NOW) == 0
    assert note(store, {"serial": "SN-1"}, NOW + HOUR) == 0
    assert store.identities("A") == [
        ReadIdentity("A", "line-1", "serial", "SN-1", NOW, NOW + HOUR),
        ReadIdentity("A", "line-1", "model", "M48", NOW, NOW),
    ]
    assert store.identities("B") == []
    assert store.events(kind="identity") == []


def test_another_serial_number_is_an_event_and_both_are_kept(store: Store) -> None:
    note(store, {"serial": "SN-1"}, NOW)
    assert note(store, {"serial": "SN-2"}, NOW + HOUR) == 1
    assert note(store, {"serial": "SN-1"}, NOW + 2 * HOUR) == 1  # and back again
    assert [(r.value, r.first_ms) for r in store.identities()] == [
        ("SN-1", NOW), ("SN-2", NOW + HOUR), ("SN-1", NOW + 2 * HOUR),
    ]  # fmt: skip
    first, second = store.events(kind="identity")
    assert (first.subject, first.start_ms) == ("A", NOW + HOUR)
    assert first.detail == 'serial reads "SN-2" where it read "SN-1" (line-1)'
    assert second.start_ms == NOW + 2 * HOUR


def test_dates_move_with_a_clock_that_becomes_known(store: Store) -> None:
    with store.writing() as conn:
        boot = store_clock.keep_boot(conn, "boot-1", 0.0, Trust.NONE, NOW)
    note(store, {"serial": "SN-1"}, NOW, provisional=boot)
    note(store, {"serial": "SN-1"}, NOW + 5, provisional=boot)
    with store.writing() as conn:
        store_clock.settle_boot(conn, boot, 7 * HOUR, "set", NOW + 7 * HOUR)
    (kept,) = store.identities("A")
    assert (kept.first_ms, kept.last_ms) == (NOW + 7 * HOUR, NOW + 7 * HOUR + 5)


def test_a_clock_that_may_be_wrong_does_not_move_a_known_date(store: Store) -> None:
    note(store, {"serial": "SN-1"}, NOW)
    note(store, {"serial": "SN-1"}, NOW - 365 * 24 * HOUR, provisional=3)
    (kept,) = store.identities("A")
    assert (kept.first_ms, kept.last_ms) == (NOW, NOW)


def test_a_record_without_the_table_is_brought_up(store: Store, record: Path) -> None:
    store.close()
    with sqlite3.connect(record) as db:
        db.execute("DROP TABLE identity")
        db.execute("UPDATE meta SET value = '2' WHERE key = 'schema'")
    db.close()
    with Store.open(record, write=True) as again:
        assert again.meta("schema") == str(schema.SCHEMA_VERSION)
        note(again, {"serial": "SN-1"}, NOW)
        assert len(again.identities("A")) == 1


@pytest.mark.parametrize("older", [False, True])
def test_salvage_brings_them_along_once(store: Store, record: Path, tmp_path: Path, older: bool) -> None:
    note(store, {"serial": "SN-1"}, NOW)
    store.close()
    if older:
        with sqlite3.connect(record) as db:
            db.execute("DROP TABLE identity")
        db.close()
    with Store.open(tmp_path / "new.db", write=True) as into:
        salvage(record, into)
        salvage(record, into)
        assert [r.value for r in into.identities("A")] == ([] if older else ["SN-1"])
