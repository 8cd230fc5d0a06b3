"""The record used by somebody whose rights or whose folder are not the logger's."""

import os
from pathlib import Path

import pytest

from logger.config import Config
from logger.record import workers
from logger.record.opening import open_record
from logger.record.store import Store
from tests.logger.made import make_day

LATER = 1_900_000_000_000
BANK = """
[site]
name = "Cider house"
timezone = "Europe/Vienna"
[[pack]]
name = "A"
"""


@pytest.fixture
def nowhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Stand in a folder that no other process can go to, as in a home closed to others."""
    monkeypatch.chdir(tmp_path)
    folder = tmp_path / "gone"
    folder.mkdir()
    os.chdir(folder)
    folder.rmdir()


@pytest.mark.usefixtures("nowhere")
def test_readings_are_taken_where_no_worker_could_follow(store: Store) -> None:
    assert not workers.can_start()
    assert store.adopt("A", make_day("2026-02-07"), now_ms=LATER, workers=2).sealed == 1
    assert store.verify().ok


def test_workers_start_in_a_folder_of_ours(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert workers.can_start()


def test_who_may_only_read_the_record_reads_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "bank.toml").write_text(BANK)
    config = Config.load(tmp_path / "bank.toml")
    open_record(config, "write").close()
    allowed = os.access
    monkeypatch.setattr(os, "access", lambda path, mode: mode != os.W_OK and allowed(path, mode))
    with open_record(config, "keep") as store:
        assert not store.write
