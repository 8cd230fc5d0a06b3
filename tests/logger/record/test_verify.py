from __future__ import annotations

import json

import pytest
from sqlalchemy import text

from logger.record.store import Store
from tests.logger.made import make_day

LATER = 1_900_000_000_000


@pytest.fixture
def sealed(store: Store) -> Store:
    """Four days of A, the second of them twice, one missing."""
    for day in ("2026-02-01", "2026-02-02", "2026-02-03", "2026-02-05"):
        store.adopt("A", make_day(day).slice(0, 1000), now_ms=LATER)
    store.adopt("A", make_day("2026-02-02", seed=5), now_ms=LATER)
    return store


def change(store: Store, statement: str) -> None:
    with store.writing() as conn:
        conn.execute(text(statement))


def test_a_good_record(sealed: Store) -> None:
    result = sealed.verify()
    assert result.ok
    assert (result.days, result.row_count) == (4, 3 * 1000 + 1440)
    assert result.superseded == (("A", "2026-02-02", 1),)
    assert result.absent == (("A", "2026-02-04"),)
    assert json.loads(result.as_json())["ok"] is True


def test_an_empty_record_is_good(store: Store) -> None:
    result = store.verify()
    assert result.ok
    assert result.chain_end == "00" * 32  # h_0 is 32 zero bytes


@pytest.mark.parametrize(
    ("statement", "what", "seq"),
    [
        ("UPDATE sealed_day SET blob = zeroblob(length(blob)) WHERE seq = 3", "changed", 3),
        ("UPDATE sealed_day SET row_count = row_count + 1 WHERE seq = 2", "changed", 2),
        ("UPDATE sealed_day SET day = '2026-02-09' WHERE seq = 1", "changed", 1),
        ("DELETE FROM sealed_day WHERE seq = 4", "missing", 4),
        ("UPDATE sealed_day SET seq = 9 WHERE seq = 1", "missing", 1),
    ],
)
def test_what_was_changed_is_named(sealed: Store, statement: str, what: str, seq: int) -> None:
    change(sealed, statement)
    result = sealed.verify()
    assert not result.ok
    assert (what, seq) in {(f.what, f.seq) for f in result.faults}


def test_swapping_two_days_shows(sealed: Store) -> None:
    change(sealed, "UPDATE sealed_day SET seq = 99 WHERE seq = 1")
    change(sealed, "UPDATE sealed_day SET seq = 1 WHERE seq = 3")
    change(sealed, "UPDATE sealed_day SET seq = 3 WHERE seq = 99")
    assert {1, 3} <= {f.seq for f in sealed.verify().faults}


def test_a_forged_day_with_its_own_hash_breaks_the_chain(sealed: Store) -> None:
    import hashlib

    with sealed.reading() as conn:
        blob = conn.execute(text("SELECT blob FROM sealed_day WHERE seq = 4")).scalar_one()
    with sealed.writing() as conn:
        conn.execute(
            text("UPDATE sealed_day SET blob = :b, sha256 = :s WHERE seq = 3"),
            {"b": blob, "s": hashlib.sha256(blob).hexdigest()},
        )
    assert "changed" in {f.what for f in sealed.verify().faults if f.seq == 3}


def test_cutting_the_end_shows_only_in_the_last_value(sealed: Store) -> None:
    noted = sealed.verify().chain_end
    change(sealed, "DELETE FROM sealed_day WHERE seq = 5")
    result = sealed.verify()
    assert result.ok
    assert result.chain_end != noted
