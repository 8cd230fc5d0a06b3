from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from sqlalchemy import Connection

from adapters.base import Subject
from adapters.errors import StoreError, StoreLocked
from logger.record import migrate, schema
from logger.record.store import Store
from logger.record.store_engine import make_engine
from tests.logger.made import make_day

LATER = 1_900_000_000_000


@pytest.fixture
def first_version(store: Store, record: Path) -> Path:
    """Return a record as version 1 wrote it: digests in one part."""
    store.adopt("A", make_day("2026-02-07"), now_ms=LATER)
    store.close()
    with sqlite3.connect(record) as db:
        db.execute("DROP TABLE digest")
        db.execute(
            "CREATE TABLE digest (pack TEXT, day TEXT, seq INTEGER, version BIGINT, facts TEXT, body BLOB)"
        )
        db.execute("UPDATE meta SET value = '1' WHERE key = 'schema'")
    db.close()
    return record


def version(path: Path) -> str:
    with sqlite3.connect(path) as db:
        value: str = db.execute("SELECT value FROM meta WHERE key = 'schema'").fetchone()[0]
    db.close()
    return value


def test_an_older_record_is_brought_up_after_a_copy(first_version: Path) -> None:
    with Store.open(first_version, write=True) as store:
        assert len(store.digests("A")) == 1
        assert store.verify().ok
    assert version(first_version) == str(schema.SCHEMA_VERSION)
    assert version(Path(f"{first_version}.schema1")) == "1"


def test_reading_only_asks_for_a_writer_first(first_version: Path) -> None:
    with pytest.raises(StoreError, match="once"):
        Store.open(first_version)
    assert version(first_version) == "1"


def test_not_under_a_running_logger(first_version: Path) -> None:
    from logger.record.store_lock import WriterLock

    lock = WriterLock(str(first_version))
    lock.take()
    WriterLock._here.clear()  # noqa: SLF001 - as if another process had it
    with pytest.raises(StoreLocked):
        Store.open(first_version, write=True)
    lock.release()
    assert version(first_version) == "1"


def test_a_later_record_is_left_alone(store: Store, record: Path) -> None:
    store.set_meta("schema", "99")
    store.close()
    with pytest.raises(StoreError, match="upgrade bankbook"):
        Store.open(record, write=True)


def test_a_step_that_fails_leaves_the_version_before_it(store: Store, record: Path) -> None:
    def good(conn: Connection) -> None:
        conn.exec_driver_sql("CREATE TABLE extra (x INTEGER)")

    def bad(conn: Connection) -> None:
        conn.exec_driver_sql("DROP TABLE extra")
        raise RuntimeError("power cut")

    store.close()
    engine = make_engine(str(record), write=True)
    now = schema.SCHEMA_VERSION
    with pytest.raises(RuntimeError):
        migrate.migrate(engine, str(record), now, {now: good, now + 1: bad}, now + 2)
    with engine.connect() as conn:
        assert migrate.version(conn) == now + 1
        assert conn.exec_driver_sql("SELECT count(*) FROM extra").scalar() == 0
    engine.dispose()


def test_two_programs_may_make_a_record_at_once(record: Path) -> None:
    one, two = make_engine(str(record), write=True), make_engine(str(record), write=True)
    migrate.create(one, str(record))
    migrate.create(two, str(record))
    with Store.open(record) as store:
        assert store.subjects() == ()
        assert store.latest(Subject("A")) is None
    one.dispose()
    two.dispose()
