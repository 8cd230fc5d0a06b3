from __future__ import annotations

import threading
from pathlib import Path

import pytest

from adapters.base import Subject
from adapters.errors import StoreDamaged, StoreError
from logger.record.backup import backup
from logger.record.store import Stamped, Store
from tests.logger.made import make_day

LATER = 1_900_000_000_000


def test_a_backup_is_the_record(store: Store, record: Path, tmp_path: Path) -> None:
    store.adopt("A", make_day("2026-02-07"), now_ms=LATER)
    store.append([Stamped(Subject("A"), 1, {"soc": 5})])
    done = backup(str(record), tmp_path / "copy.db")
    assert done.verified.ok
    assert done.verified.chain_end == store.verify().chain_end
    with Store.open(tmp_path / "copy.db") as copy:
        assert copy.latest(Subject("A")) == Stamped(Subject("A"), 1, {"soc": 5})
        assert copy.table(Subject("A"), "2026-02-07").equals(store.table(Subject("A"), "2026-02-07"))
    assert sorted(p.name for p in tmp_path.iterdir() if "copy" in p.name) == ["copy.db"]


def test_into_a_folder_it_keeps_its_name_and_replaces_the_last(
    store: Store, record: Path, tmp_path: Path
) -> None:
    (tmp_path / "usb").mkdir()
    backup(str(record), tmp_path / "usb")
    store.append([Stamped(Subject("A"), 1, {"soc": 5})])
    assert backup(str(record), tmp_path / "usb").path == tmp_path / "usb" / "bank.db"
    with Store.open(tmp_path / "usb" / "bank.db") as copy:
        assert copy.latest(Subject("A")) is not None


def test_while_the_logger_writes(store: Store, record: Path, tmp_path: Path) -> None:
    stop = threading.Event()
    written: list[int] = []

    def write() -> None:
        while not stop.is_set():
            number = len(written)
            store.append([Stamped(Subject(pack), 1000 * number, {"soc": number}) for pack in ("A", "B")])
            written.append(number)

    writer = threading.Thread(target=write)
    writer.start()
    try:
        for number in range(5):
            done = backup(str(record), tmp_path / f"{number}.db")
            assert done.verified.ok
            with Store.open(done.path) as copy:  # one instant: both packs are equally far
                a, b = copy.latest(Subject("A")), copy.latest(Subject("B"))
                assert (a and a.time_ms) == (b and b.time_ms)
    finally:
        stop.set()
        writer.join()


@pytest.mark.usefixtures("store")
@pytest.mark.parametrize(("to", "says"), [("bank.db", "itself"), ("nowhere/x.db", "not a folder")])
def test_refusals(record: Path, tmp_path: Path, to: str, says: str) -> None:
    with pytest.raises(StoreError, match=says):
        backup(str(record), tmp_path / to)


def test_nothing_to_back_up(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="no record"):
        backup(str(tmp_path / "none.db"), tmp_path / "x.db")


def test_of_a_damaged_record_the_record_is_named_and_no_copy_kept(
    store: Store, record: Path, tmp_path: Path
) -> None:
    store.adopt("A", make_day("2026-02-05", period_s=600), now_ms=LATER)
    store.close()
    with record.open("r+b") as file:
        file.seek(1024)  # the second page and some more: tables, not the header
        file.write(b"\xff" * 20_000)
    with pytest.raises(StoreDamaged, match=r"bank\.db is damaged, so the copy was not kept"):
        backup(str(record), tmp_path / "copy.db")
    assert not list(tmp_path.glob("copy.db*"))
