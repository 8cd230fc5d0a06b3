"""Dask computes the digests the logger computes, from the central database."""

import os
from datetime import date
from pathlib import Path

import duckdb
import pytest

from analysis import digest as digests
from logger.fleet import address, central, kept
from logger.fleet.compute import Workers, bank_of, compute, run_task, tasks
from logger.fleet.push import push
from logger.fleet.sources import open_source
from logger.record.export import export_parquet
from logger.record.store import Store
from tests.logger.fleet.centre import day_table, make_bank

NOW = 1_790_000_000_000


@pytest.fixture
def file_centre(tmp_path: Path) -> str:
    url = f"sqlite:///{tmp_path / 'centre.db'}"
    engine = address.connect(url)
    central.prepare(engine)
    for i in (1, 2):
        with Store.open(make_bank(tmp_path / f"{i}.db", seed=i, days=4)) as store:
            push(store, engine, f"bank{i}", NOW)
    engine.dispose()
    return url


def test_what_was_pushed_is_not_computed_again(file_centre: str) -> None:
    source = open_source(file_centre)
    assert tasks(file_centre, source, ["bank1", "bank2"], digests.VERSION) == []
    assert len(bank_of(source, "bank1", []).packs[0].digests) == 4


def test_a_task_gives_the_very_digests_of_the_logger(file_centre: str, tmp_path: Path) -> None:
    source = open_source(file_centre)
    todo = tasks(file_centre, source, ["bank1"], version=-1)
    made = run_task(todo[0])
    with Store.open(tmp_path / "1.db") as store:
        ours = store.digests("A")
    assert [digests.loads(*body) for _, body in made.digests] == ours


def test_dask_computes_the_same(file_centre: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("logger.fleet.sources.CentralSource.have", lambda *_: set())
    seen = []
    with Workers(workers=1) as on:
        made = compute(file_centre, on, progress=lambda a, b: seen.append((a, b)))
    source = open_source(file_centre)
    assert seen[-1] == (2, 2)
    bank = bank_of(source, "bank2", made)
    assert bank.packs[0].days == ("2026-01-05", "2026-01-06", "2026-01-07", "2026-01-08")


def test_what_was_kept_is_not_computed_again(file_centre: str) -> None:
    engine = address.connect(file_centre)
    with engine.begin() as conn:
        conn.execute(central.digest.delete())
    engine.dispose()
    source = open_source(file_centre)
    todo = tasks(file_centre, source, ["bank1"], digests.VERSION)
    made = run_task(todo[0])
    assert source.keep("bank1", "A", made.digests)
    assert tasks(file_centre, source, ["bank1"], digests.VERSION) == []
    again = bank_of(source, "bank1", []).packs[0].digests
    assert [digests.dumps(d) for d in again] == [body for _, body in made.digests]


def test_a_folder_of_exported_days_gives_the_same(tmp_path: Path) -> None:
    file = make_bank(tmp_path / "one.db", days=4)
    with Store.open(file) as store:
        export_parquet(store, tmp_path / "days", site="hill")
        ours = store.digests("A")
    source = open_source(str(tmp_path / "days"))
    assert source.banks() == ["hill"]
    todo = tasks(str(tmp_path / "days"), source, source.banks(), digests.VERSION)
    made = [run_task(t) for t in todo]
    assert list(bank_of(source, "hill", made).packs[0].digests) == ours


def test_any_engine_reads_the_days(tmp_path: Path) -> None:
    """The query of DESK.md, run by an engine that knows nothing of us."""
    with Store.open(make_bank(tmp_path / "one.db", days=3)) as store:
        export_parquet(store, tmp_path / "days", site="hill")
        rows = sum(d.row_count for d in store.sealed_days("A"))
    source = open_source(str(tmp_path / "days"))
    source.keep("hill", "A", run_task(tasks(str(tmp_path / "days"), source, ["hill"], -1)[0]).digests)
    manual = (Path(kept.__file__).parent / "DESK.md").read_text()
    query = next(part for part in manual.split("```") if part.startswith("sql") and "read_parquet" in part)
    answer = duckdb.sql(query.removeprefix("sql").replace("FOLDER", str(tmp_path / "days")))
    assert answer is not None
    found = answer.fetchall()
    assert [f[0] for f in found] == ["hill"] * 3
    assert sum(f[3] for f in found) == rows
    assert all(3.3 < f[4] < 3.4 for f in found)


def test_a_folder_keeps_what_was_computed(tmp_path: Path) -> None:
    days = tmp_path / "days"
    with Store.open(make_bank(tmp_path / "one.db", days=4)) as store:
        export_parquet(store, days, site="hill")
        ours = store.digests("A")
    source = open_source(str(days))
    made = [run_task(t) for t in tasks(str(days), source, ["hill"], digests.VERSION)]
    assert all(source.keep(m.bank, m.pack, m.digests) for m in made)
    assert tasks(str(days), source, ["hill"], digests.VERSION) == []
    assert list(bank_of(source, "hill", []).packs[0].digests) == ours
    changed = days / "site=hill" / "pack=A" / "day=2026-01-06" / "readings.parquet"
    os.utime(changed, (1_000_000_000, 1_000_000_000))
    (again,) = tasks(str(days), source, ["hill"], digests.VERSION)
    assert [r.day for r in again.days] == ["2026-01-06"]
    # The digest of the former content does not count twice.
    assert len(bank_of(source, "hill", [run_task(again)]).packs[0].digests) == 4


def test_a_folder_that_cannot_be_written_is_read_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    days = tmp_path / "days"
    with Store.open(make_bank(tmp_path / "one.db", days=2)) as store:
        export_parquet(store, days, site="hill")
    (days / "_digests.db").mkdir()  # nothing can be written there, whoever asks
    monkeypatch.setattr("logger.fleet.sources.FolderSource.have", lambda *_: set())
    monkeypatch.setattr("logger.fleet.sources.FolderSource.kept", lambda *_: {})
    source = open_source(str(days))
    made = run_task(tasks(str(days), source, ["hill"], digests.VERSION)[0])
    assert not source.keep("hill", "A", made.digests)
    assert len(bank_of(source, "hill", [made]).packs[0].digests) == 2


def test_a_revised_day_counts_once(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'centre.db'}"
    engine = address.connect(url)
    central.prepare(engine)
    file = make_bank(tmp_path / "late.db", days=3)
    with Store.open(file) as store:
        push(store, engine, "late", NOW)
    with Store.open(file, write=True, timezone="UTC") as store:
        late = day_table(date(2026, 1, 6), 1, seed=9, period_s=700)
        store.adopt("A", late, now_ms=NOW, workers=0)
        assert len(store.digests("A")) == 3
    with Store.open(file) as store:
        assert push(store, engine, "late", NOW + 1).days == 1
        ours = store.digests("A")
    engine.dispose()
    theirs = bank_of(open_source(url), "late", []).packs[0].digests
    assert [d.day for d in theirs] == ["2026-01-05", "2026-01-06", "2026-01-07"]
    assert theirs[1] == ours[1]


def test_a_torn_day_does_not_stop_the_others(tmp_path: Path) -> None:
    days = tmp_path / "days"
    with Store.open(make_bank(tmp_path / "one.db", days=3)) as store:
        export_parquet(store, days, site="hill")
    (days / "site=hill" / "pack=A" / "day=2026-01-06" / "readings.parquet").write_bytes(b"PAR1 torn")
    source = open_source(str(days))
    made = run_task(tasks(str(days), source, ["hill"], digests.VERSION)[0])
    assert [day for day, _ in made.digests] == ["2026-01-05", "2026-01-07"]
    (unread,) = made.unread
    assert unread.startswith("hill A 2026-01-06: ")
