"""Reading where not a byte is free: what the record holds can still be told."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from logger.record.store import Store
from logger.record.store_engine import connect_file
from tests.logger.made import make_day
from tests.logger.small_disk import fill

CUT_SHORT = """
import os, sqlite3, sys
db = sqlite3.connect(sys.argv[1], isolation_level=None)
db.execute("PRAGMA wal_autocheckpoint=0")
db.execute("UPDATE meta SET value = 'later' WHERE key = 'timezone'")
os._exit(0)
"""


@pytest.fixture
def full(small_disk: Path) -> Path:
    """A record of one sealed day, closed, on a disk that is full to the last byte."""
    path = small_disk / "bank.db"
    with Store.open(path, write=True, timezone="Europe/Vienna") as store:
        store.adopt("A", make_day("2026-02-05", period_s=300), now_ms=1_900_000_000_000)
    fill(small_disk / "photos")
    return path


def test_a_record_on_a_full_disk_can_be_read(full: Path) -> None:
    with Store.open(full) as store:
        assert [d.day for d in store.sealed_days()] == ["2026-02-05"]
        assert store.verify().ok


def test_what_a_power_cut_left_in_the_log_is_read_too(full: Path) -> None:
    """A program that ends at once after a commit leaves the log behind, as a power cut does."""
    (full.parent / "photos").unlink()
    subprocess.run([sys.executable, "-c", CUT_SHORT, str(full)], check=True)
    assert (full.parent / "bank.db-wal").stat().st_size > 0
    (full.parent / "bank.db-shm").unlink()
    fill(full.parent / "photos")
    db = connect_file(str(full), write=False)
    assert db.execute("SELECT value FROM meta WHERE key = 'timezone'").fetchall() == [("later",)]
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        db.execute("UPDATE meta SET value = 'never'")
    db.close()
