from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from adapters.errors import StoreError, StoreFull
from analysis.findings import findings
from logger.config import Config
from logger.documents.checkup import write_checkup
from logger.documents.report_files import write_whole
from logger.documents.week import write_week
from logger.record.histories import bank as bank_of
from logger.record.store import Store
from tests.logger.made import make_site


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Config, Store]]:
    config, store, _ = make_site(tmp_path_factory.mktemp("site"))
    yield config, store
    store.close()


def test_the_week_becomes_three_files_in_the_report_folder(place: tuple[Config, Store]) -> None:
    config, store = place
    paths = write_week(store, config, date(2026, 1, 14))
    assert [p.name for p in paths] == ["week-2026-01-12.html", "week-2026-01-12.pdf", "week-2026-01-12.json"]
    assert all(p.parent == config.report_folder for p in paths)
    assert "Hill &lt;orchard&gt;" in paths[0].read_text(encoding="utf-8")
    assert paths[1].read_bytes().startswith(b"%PDF-")
    numbers = json.loads(paths[2].read_text(encoding="utf-8"))
    assert numbers["first"] == "2026-01-12"
    assert numbers["numbers"]["energy"]["in"]["A"]["value"] > 0
    assert any(r["kind"] == "week" for r in store.reports())
    assert not list(config.report_folder.glob(".*"))


def test_findings_are_kept_only_from_the_newest_week(place: tuple[Config, Store]) -> None:
    config, store = place
    store.save_findings([])
    write_week(store, config, date(2026, 1, 14))
    assert len(store.findings()) == len(findings(bank_of(store, config)))


def test_a_week_without_readings_is_refused_with_the_days_there_are(place: tuple[Config, Store]) -> None:
    config, store = place
    with pytest.raises(StoreError, match="2026-01-12 to 2026-01-14"):
        write_week(store, config, date(2026, 3, 4))


@pytest.mark.parametrize("write", [lambda s, c: write_week(s, c, date(2026, 1, 14)), write_checkup])
def test_a_record_without_a_pack_says_what_it_holds(tmp_path: Path, write: Any) -> None:
    config, store, _ = make_site(tmp_path, 2)
    with store.writing() as conn:
        for table in ("reading", "sealed_day", "digest"):
            pack = "name IN ('A', 'B')" if table == "sealed_day" else "1"
            conn.exec_driver_sql(f"DELETE FROM {table} WHERE {pack}")
    with pytest.raises(StoreError, match=r"has only witness hall from 2026-01-12 .* needs a pack"):
        write(store, config)
    store.close()


def test_a_pack_that_the_configuration_does_not_name_is_named(tmp_path: Path) -> None:
    _, store, _ = make_site(tmp_path, 2)
    (tmp_path / "other.toml").write_text('[[pack]]\nname = "C"\n', encoding="utf-8")
    other = Config.load(tmp_path / "other.toml")
    with pytest.raises(StoreError, match=r"pack A from 2026-01-12 .* add a \[\[pack\]\] of that name"):
        write_checkup(store, other)
    store.close()


def test_the_check_up_becomes_three_files(place: tuple[Config, Store], tmp_path: Path) -> None:
    config, store = place
    paths = write_checkup(store, config, out_dir=tmp_path)
    assert [p.suffix for p in paths] == [".html", ".pdf", ".json"]
    assert "What cannot be told yet" in paths[0].read_text(encoding="utf-8")


def test_the_check_up_looks_again_at_what_was_commissioned(tmp_path: Path) -> None:
    config, store, _ = make_site(tmp_path, 2)

    def page() -> str:
        return write_checkup(store, config, out_dir=tmp_path)[0].read_text(encoding="utf-8")

    assert "No commissioning check is on record" in page()
    checks = [
        {"subject": "A", "name": "every cell", "verdict": "good", "text": "16 cells, then"},
        {"subject": "A", "name": "temperature sensors", "verdict": "good", "text": "9 alive, then"},
        {"subject": "A", "name": "state of charge", "verdict": "good", "text": "both 62 %"},
    ]
    base = {"site": "Hill", "day": "2026-01-11", "checks": checks, "readings": {}, "good": True}
    store.save_report("commissioning", "2026-01-11", "2026-01-11", json.dumps(base))
    text = page()
    assert "Nothing that was in order on 11 Jan 2026 is out of order now." in text
    assert "16 cells, then" in text
    assert "Now, 13 Jan 2026, 18:30" in text
    assert "both 62 %" not in text  # no reading can tell it again
    config = config.model_copy(update={"pack": (config.pack[0].model_copy(update={"temps": 6}),)})
    assert "Was in order on 11 Jan 2026 and is not now: temperature sensors; no value of sensor" in page()
    store.close()


def test_a_folder_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreFull, match="report"):
        write_whole(tmp_path / "file" / "report.html", b"x")


def test_an_older_file_stays_whole_until_the_new_one_is(tmp_path: Path) -> None:
    target = tmp_path / "a.html"
    write_whole(target, b"old")
    write_whole(target, b"new")
    assert target.read_bytes() == b"new"
    assert [p.name for p in tmp_path.iterdir()] == ["a.html"]
