"""Power cuts: killed at random instants, files torn; nothing but the last batch may be missing.

`BANKBOOK_KILLS` sets how many kills there are of each sort (default 3; 40 gives 280 in all).
"""

from __future__ import annotations

import multiprocessing
import os
import random
import shutil
import signal
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from multiprocessing.connection import Connection as Pipe
from multiprocessing.context import ForkServerContext
from pathlib import Path

import pytest

from adapters.base import Subject
from logger.record import migrate, schema, store_clock
from logger.record.days import day_bounds_ms
from logger.record.store import Stamped, Store
from logger.record.store_clock import keep_boot, settle_boot
from logger.recording.clock import Trust

KILLS = int(os.environ.get("BANKBOOK_KILLS", "3"))
A, B = Subject("A"), Subject("B")
BATCH = 10
START = 1_771_000_000_000
DAYS, PER_DAY = 6, 150
LATER = START + 400 * 86_400_000


def log_readings(path: str, ack: Pipe, checkpoint: int) -> None:
    """Write batches as fast as it goes, telling the number of each once it is committed."""
    store = Store.open(path, logging=True, timezone="Europe/Vienna")
    with store.reading() as conn:
        conn.exec_driver_sql(f"PRAGMA wal_autocheckpoint={checkpoint}")
        last = store_clock.newest_ms(conn)
    number = 0 if last is None else (last - START) // 1000 + 1
    while True:
        store.append(
            [
                Stamped(
                    subject, START + 1000 * (number + i), {"cycles_reported": number + i, "cell_01_v": 3300}
                )
                for i in range(BATCH)
                for subject in (A, B)
            ]
        )
        number += BATCH
        ack.send(number)


def seal_days(path: str, ack: Pipe, _: int) -> None:
    with Store.open(path, write=True) as store:
        ack.send(0)
        store.seal_due(LATER)
    ack.send(1)


def open_old(path: str, ack: Pipe, _: int) -> None:
    ack.send(0)
    Store.open(path, write=True).close()
    ack.send(1)


def settle(path: str, ack: Pipe, _: int) -> None:
    with Store.open(path, write=True) as store:
        ack.send(0)
        with store.writing() as conn:
            settle_boot(conn, 1, 3_600_000, "known", LATER)
    ack.send(1)


@pytest.fixture(scope="module")
def context() -> ForkServerContext:
    made = multiprocessing.get_context("forkserver")
    made.set_forkserver_preload(
        ["logger.record.store", "logger.record.sealing_due", "logger.record.sealing", "analysis.digest"]
    )
    return made


@contextmanager
def at_work(
    context: ForkServerContext, work: Callable[[str, Pipe, int], None], path: Path, number: int
) -> Iterator[tuple[int, Pipe]]:
    """Some work in a process that is killed in the end: its number, and the pipe by which it speaks."""
    ours, theirs = context.Pipe(duplex=False)
    process = context.Process(target=work, args=(str(path), theirs, number))
    process.start()
    theirs.close()
    assert process.pid is not None
    try:
        yield process.pid, ours
    finally:
        process.kill()
        process.join()


def killed(
    context: ForkServerContext,
    work: Callable[[str, Pipe, int], None],
    path: Path,
    after_s: float,
    number: int = 1000,
) -> list[int]:
    """Run some work in a process, kill it a while after its first word; return all it said."""
    said: list[int] = []
    with at_work(context, work, path, number) as (_, ours):
        if ours.poll(20):
            said.append(ours.recv())
        time.sleep(after_s)
    try:
        while ours.poll():
            said.append(ours.recv())
    except EOFError:
        pass
    ours.close()
    return said


def sound(path: Path) -> None:
    """Check SQLite's structures and the chain."""
    with Store.open(path, write=True) as store:
        result = store.verify()
    assert result.ok, result.faults


def numbers(path: Path, pack: int = 1) -> list[int]:
    db = sqlite3.connect(path)
    found = [
        r[0]
        for r in db.execute(f"SELECT cycles_reported FROM reading WHERE pack_id = {pack} ORDER BY time_ms")
    ]
    db.close()
    return found


@pytest.mark.parametrize("checkpoint", [1000, 3], ids=["commit", "checkpoint"])
def test_killed_while_logging(context: ForkServerContext, record: Path, checkpoint: int) -> None:
    rng = random.Random(checkpoint)
    acked = 0
    for _ in range(KILLS):
        said = killed(context, log_readings, record, rng.uniform(0, 0.12), checkpoint)
        acked = max([acked, *said])
        sound(record)
        for pack in (1, 2):
            kept = numbers(record, pack)
            assert kept == list(range(len(kept)))  # nothing torn out, nothing twice
            assert len(kept) % BATCH == 0
            assert acked <= len(kept) <= acked + BATCH  # what was said to be stored is there
        acked = len(kept)


def hot_days(store: Store, provisional: int | None = None) -> None:
    first = day_bounds_ms("2026-02-01", store.zone)[0]
    store.append(
        [
            Stamped(
                A, first + day * 86_400_000 + 500_000 * i, {"cycles_reported": day * PER_DAY + i}, provisional
            )
            for day in range(DAYS)
            for i in range(PER_DAY)
        ]
    )


@pytest.fixture
def many_days(record: Path) -> Path:
    """Return a template of a record with many days to seal."""
    with Store.open(record, write=True, timezone="Europe/Vienna") as store:
        hot_days(store)
    return record


def test_killed_while_sealing(context: ForkServerContext, many_days: Path, tmp_path: Path) -> None:
    rng = random.Random(3)
    finished = 0
    for kill in range(KILLS):
        path = tmp_path / f"{kill}.db"
        shutil.copy(many_days, path)
        said = killed(context, seal_days, path, rng.uniform(0, 0.5))
        finished += 1 in said
        sound(path)
        with Store.open(path, write=True) as store:
            store.seal_due(LATER)
            days = store.days(A)
            found = [n for day in days for n in store.table(A, day).column("cycles_reported").to_pylist()]
            assert found == list(range(DAYS * PER_DAY))
            assert all(s.revision == 1 for s in store.sealed_days("A"))
        sound(path)
        assert numbers(path) == []
    assert finished < KILLS


def test_killed_while_migrating(context: ForkServerContext, many_days: Path, tmp_path: Path) -> None:
    with Store.open(many_days, write=True) as store:
        store.seal_due(LATER)
    db = sqlite3.connect(many_days)
    db.execute("DROP TABLE digest")
    db.execute("CREATE TABLE digest (pack TEXT, day TEXT, body BLOB)")
    db.execute("UPDATE meta SET value = '1' WHERE key = 'schema'")
    db.commit()
    db.close()
    rng = random.Random(4)
    for kill in range(KILLS):
        path = tmp_path / f"{kill}.db"
        shutil.copy(many_days, path)
        killed(context, open_old, path, rng.uniform(0, 0.08))
        sound(path)
        with Store.open(path, write=True) as store:
            assert len(store.sealed_days("A")) == DAYS
            with store.reading() as conn:
                assert migrate.version(conn) == schema.SCHEMA_VERSION


def test_killed_while_the_clock_is_corrected(
    context: ForkServerContext, record: Path, tmp_path: Path
) -> None:
    with Store.open(record, write=True, timezone="Europe/Vienna") as store:
        with store.writing() as conn:
            keep_boot(conn, "boot", 0, Trust.NONE, 0)
        hot_days(store, provisional=1)
    rng = random.Random(5)
    outcomes = set()
    for kill in range(KILLS):
        path = tmp_path / f"{kill}.db"
        shutil.copy(record, path)
        killed(context, settle, path, rng.uniform(0, 0.06))
        sound(path)
        db = sqlite3.connect(path)
        first, count, unsure = db.execute(
            "SELECT min(time_ms), count(*), count(provisional) FROM reading"
        ).fetchone()
        db.close()
        assert numbers(path) == list(range(DAYS * PER_DAY)) == list(range(count))
        assert unsure in (0, count)
        outcomes.add((first, unsure))
    assert len(outcomes) <= 2


def test_torn_copies_with_a_cut_log(context: ForkServerContext, record: Path, tmp_path: Path) -> None:
    """The file and its log copied while being written, the log cut anywhere, rubbish after the cut."""
    rng = random.Random(6)
    Store.open(record, logging=True, timezone="Europe/Vienna").close()
    with at_work(context, log_readings, record, 0) as (_, ours):
        acked = ours.recv()
        for kill in range(KILLS):
            while ours.poll(0.05):
                acked = ours.recv()
                if rng.random() < 0.1:
                    break
            torn = tmp_path / f"torn-{kill}.db"
            shutil.copy(record, torn)
            log = Path(f"{record}-wal").read_bytes()
            cut = rng.randrange(len(log) + 1)
            rubbish = rng.randbytes(rng.choice([0, 1, 24, 4096, 10_000]))
            Path(f"{torn}-wal").write_bytes(log[:cut] + rubbish)
            sound(torn)
            kept = numbers(torn)
            assert kept == list(range(len(kept)))
            assert len(kept) % BATCH == 0
            # Every whole frame before the cut counts: at most one batch (its frames) is torn.
            assert len(kept) >= (acked if cut == len(log) else 0)


def test_copied_while_checkpointing(context: ForkServerContext, record: Path, tmp_path: Path) -> None:
    """The machine stops dead at an instant: both files as they are just then."""
    rng = random.Random(7)
    with at_work(context, log_readings, record, 3) as (pid, ours):
        acked = ours.recv()
        for kill in range(KILLS):
            time.sleep(rng.uniform(0, 0.05))
            os.kill(pid, signal.SIGSTOP)
            while ours.poll():
                acked = ours.recv()
            copy = tmp_path / f"copy-{kill}.db"
            for suffix in ("", "-wal"):
                if Path(f"{record}{suffix}").exists():
                    shutil.copy(f"{record}{suffix}", f"{copy}{suffix}")
            os.kill(pid, signal.SIGCONT)
            sound(copy)
            kept = numbers(copy)
            assert kept == list(range(len(kept)))
            assert acked <= len(kept) <= acked + BATCH
