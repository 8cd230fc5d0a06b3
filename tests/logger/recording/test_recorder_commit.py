"""The disk fills, is remounted read-only, breaks: on a real small filesystem where the machine allows."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from adapters.base import Subject
from adapters.errors import StoreFull
from logger.record.store import Stamped, Store
from logger.recording.buffer import Buffer
from logger.recording.clock import Clock, Trust
from logger.recording.recorder_commit import Writer
from tests.logger.made import FakeTime
from tests.logger.small_disk import MS_RDONLY, MS_REMOUNT, fill, mount

A = Subject("A")


@pytest.fixture
def writer(small_disk: Path, clocks: FakeTime) -> Iterator[Writer]:
    clocks.trusted = Trust.USER
    store = Store.open(small_disk / "bank.db", logging=True, timezone="Europe/Vienna")
    made = Writer(store, Clock(clocks), Buffer(limit=500), clocks.boot_id())
    made.begin()
    yield made
    made.store.close()


def reading(number: int) -> Stamped:
    return Stamped(A, 1_771_000_000_000 + 1000 * number, {f"cell_{i:02d}_v": 3300 for i in range(1, 17)})


def offer(writer: Writer, first: int, count: int) -> None:
    for number in range(first, first + count):
        writer.buffer.put(reading(number))


def stored(writer: Writer) -> int:
    from logger.record import store_read

    with writer.store.reading() as conn:
        return store_read.hot_count(conn, "pack", 1, (0, 2**62))


def test_a_full_disk_is_lived_through(
    small_disk: Path, writer: Writer, caplog: pytest.LogCaptureFixture
) -> None:
    offer(writer, 0, 50)
    assert writer.commit()
    filler = small_disk / "photos"
    fill(filler)
    number = 50
    for _ in range(100):
        offer(writer, number, 10)
        number += 10
        writer.commit()
    assert "disk is full" in writer.trouble
    assert len(writer.buffer) == 500  # bounded, the newest
    assert len([r for r in caplog.records if r.levelname == "ERROR"]) == 1  # the journal is not flooded
    before = stored(writer)
    filler.unlink()
    assert writer.commit() or writer.commit()
    assert writer.trouble == ""
    assert stored(writer) == before + 500
    (event,) = writer.store.events(kind="disk")
    assert f"{writer.buffer.dropped} readings were lost" in event.detail
    assert before + 500 + writer.buffer.dropped == number  # the ledger closes
    assert writer.store.verify().ok


def test_a_read_only_remount_is_lived_through(small_disk: Path, writer: Writer) -> None:
    offer(writer, 0, 20)
    assert writer.commit()
    try:
        mount("bankbook-test", small_disk, "tmpfs", MS_REMOUNT | MS_RDONLY, "")
    except OSError:
        # a file open for writing forbids it; close the record as a restart would
        writer.store.close()
        mount("bankbook-test", small_disk, "tmpfs", MS_REMOUNT | MS_RDONLY, "")
    offer(writer, 20, 20)
    assert not writer.commit()
    assert writer.trouble
    mount("bankbook-test", small_disk, "tmpfs", MS_REMOUNT, "")
    assert writer.commit() or writer.commit()
    assert stored(writer) == 40
    assert "no reading was lost" in writer.store.events(kind="disk")[0].detail


def test_a_disk_that_is_full_at_the_start(small_disk: Path, clocks: FakeTime) -> None:
    Store.open(small_disk / "bank.db", logging=True, timezone="Europe/Vienna").close()
    store = Store.open(small_disk / "bank.db", logging=True)
    with store.reading():
        pass
    fill(small_disk / "photos")
    made = Writer(store, Clock(clocks), Buffer(), clocks.boot_id())
    made.begin()
    made.buffer.put(Stamped(A, 5_000, {"soc": 1}, made.boot))
    assert not made.commit()
    assert made.trouble
    (small_disk / "photos").unlink()
    assert made.commit() or made.commit()
    assert store.latest(A) == Stamped(A, 5_000, {"soc": 1}, made.boot)
    assert made.boot
    store.close()


def test_the_store_says_what_to_do_when_the_disk_is_full(small_disk: Path, writer: Writer) -> None:
    fill(small_disk / "photos")
    with pytest.raises(StoreFull, match="free some space"):
        writer.store.append([reading(number) for number in range(1000)])


def test_a_record_that_breaks_while_logging_is_replaced(record: Path, clocks: FakeTime) -> None:
    clocks.trusted = Trust.USER
    store = Store.open(record, logging=True, timezone="Europe/Vienna")
    writer = Writer(store, Clock(clocks), Buffer(), clocks.boot_id())
    writer.begin()
    offer(writer, 0, 20)
    assert writer.commit()
    writer.store.close()  # so that nothing is cached
    content = bytearray(record.read_bytes())
    content[:4096] = b"\xa5" * 4096
    record.write_bytes(content)
    offer(writer, 20, 20)
    assert not writer.commit()
    assert writer.commit() or writer.commit()
    assert stored(writer) == 20
    assert len(writer.store.events(kind="damage")) == 1
    assert len(list(record.parent.glob("bank.db.damaged-*"))) >= 1
    writer.store.close()


def test_two_commits_at_once_store_nothing_twice(record: Path, clocks: FakeTime) -> None:
    clocks.trusted = Trust.USER
    writer = Writer(Store.open(record, logging=True), Clock(clocks), Buffer(), clocks.boot_id())
    writer.begin()
    for round_ in range(20):
        offer(writer, 20 * round_, 20)
        threads = [threading.Thread(target=writer.commit) for _ in range(3)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert stored(writer) == writer.committed == 400
    writer.store.close()


def test_a_record_that_is_busy_for_long_costs_nothing(
    record: Path, clocks: FakeTime, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.record.store_engine.BUSY_S", 0.05)
    clocks.trusted = Trust.USER
    writer = Writer(Store.open(record, logging=True), Clock(clocks), Buffer(), clocks.boot_id())
    writer.begin()
    with Store.open(record, write=True) as other, other.writing():
        offer(writer, 0, 20)
        assert not writer.commit()
        assert "busy" in writer.trouble
    assert writer.commit() or writer.commit()
    assert stored(writer) == 20
    writer.store.close()
