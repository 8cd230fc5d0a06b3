"""The store itself on a database server: the same calls, the same answers as from a file."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import create_engine, text

from adapters.base import Subject
from analysis.facts import PackFacts
from analysis.finding import Finding
from logger.record.store import Stamped, Store
from logger.record.store_clock import keep_boot, settle_boot
from logger.recording.clock import Trust
from tests.logger.fleet.centre import Server
from tests.logger.made import make_day

A, HALL = Subject("A"), Subject("hall", "witness")
LATER = 1_900_000_000_000


@pytest.fixture
def url(server: Server) -> str:
    name = f"store_{np.random.default_rng().integers(1 << 30)}"
    address = server.url("owner", "postgres").replace("postgresql://", "postgresql+psycopg://")
    admin = create_engine(address, isolation_level="AUTOCOMMIT")
    with admin.connect() as conn:
        conn.execute(text(f"CREATE DATABASE {name}"))
    admin.dispose()
    return server.url("owner", name).replace("postgresql://", "postgresql+psycopg://")


def fill(store: Store) -> None:
    store.ensure_pack("A", PackFacts("A", n_cells=4))
    store.append(
        [Stamped(A, 40_000, {"pack_a": -5, "warnings": 2**32 - 1}, 1), Stamped(HALL, 40_000, {"dc_a": 1})]
    )
    store.append([Stamped(A, 40_000, {"pack_a": 6})])  # a taken instant
    store.adopt("A", make_day("2026-02-06", period_s=600), now_ms=LATER)
    store.adopt("A", make_day("2026-02-06", seed=4, period_s=600).slice(5, 9), now_ms=LATER)
    store.adopt("A", make_day("2026-02-07", period_s=600), now_ms=0)
    store.adopt("A", make_day("2026-02-07", period_s=600), now_ms=0)
    with store.writing() as conn:
        boot = keep_boot(conn, "b", 0.0, Trust.NONE, 5)
        settle_boot(conn, boot, 1_000_000, "time known", 6)
    store.seal_due(LATER)
    store.event("outage", "no answer", subject="a", start_ms=1, end_ms=2)
    store.save_findings([Finding("data_gap", "A", None, "2026-02-06", "note", 1, 1, 1, 1, "h", "m", "c")], 5)
    store.save_report("week", "2026-02-02", "2026-02-08", "{}", 5)


def answers(store: Store) -> list[object]:
    return [
        [(s.seq, s.name, s.day, s.revision, s.sha256, s.chain) for s in store.sealed_days()],
        store.days(A),
        store.table(A, "2026-02-06").to_pydict(),
        store.frame("A", "2026-02-07").cells_v.tolist(),
        store.digests("A"),
        store.verify(),
        [(e.kind, e.detail, e.start_ms, e.end_ms) for e in store.events()],
        store.findings(),
        [r["numbers"] for r in store.reports()],
        store.facts("A"),
        store.latest(HALL),
    ]


def test_a_server_answers_as_a_file_does(url: str, tmp_path: Path) -> None:
    said = []
    for address in (str(tmp_path / "bank.db"), url):
        with Store.open(address, write=True, timezone="Europe/Vienna") as store:
            fill(store)
            said.append(answers(store))
        with Store.open(address) as again:
            assert again.zone.key == "Europe/Vienna"
            assert again.verify().ok
    assert said[0] == said[1]
