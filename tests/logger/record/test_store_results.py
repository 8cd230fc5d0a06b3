from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from analysis.finding import Finding
from logger.record.store import Store

LEAK = Finding("self_discharge", "B", 11, "2024-03-01", "watch", 0.9, 21.0, 18.0, 24.0, "mA", "", "")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(str(tmp_path / "bank.db"), write=True, timezone="UTC") as opened:
        yield opened


def test_a_date_found_while_it_was_in_sight_stays(store: Store) -> None:
    store.save_findings((LEAK,))
    store.save_findings((replace(LEAK, since="2025-01-01", began_before=True, value=22.0),))
    (kept,) = store.findings()
    assert (kept.since, kept.began_before, kept.value) == ("2024-03-01", False, 22.0)


def test_a_better_date_replaces_the_kept_one(store: Store) -> None:
    store.save_findings((LEAK,))
    store.save_findings((replace(LEAK, since="2024-05-01"),))
    assert [f.since for f in store.findings()] == ["2024-05-01"]


def test_the_first_time_it_is_only_known_to_be_older(store: Store) -> None:
    store.save_findings((replace(LEAK, began_before=True),))
    (kept,) = store.findings()
    assert kept.began == "before 2024-03-01"
