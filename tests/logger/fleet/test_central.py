"""The centre's tables hold what a bank's record holds, and what was hashed says the rest."""

import json
from pathlib import Path

from sqlalchemy import Table, text

from logger.fleet import address, central
from logger.fleet.push import push
from logger.record import schema
from logger.record.store import Store
from tests.logger.fleet.centre import make_bank


def kinds(table: Table) -> dict[str, type]:
    return {c.name: type(c.type) for c in table.c}


def test_the_columns_of_the_record_are_those_of_the_centre() -> None:
    ours, theirs = kinds(schema.sealed_day), kinds(central.day)
    assert set(ours) - set(theirs) == {"supersedes", "first_ms"}
    assert set(theirs) - set(ours) == {"bank", "record"}
    assert all(theirs[name] is kind for name, kind in ours.items() if name in theirs)
    ours, theirs = kinds(schema.digest), kinds(central.digest)
    assert set(theirs) - set(ours) == {"bank"}
    assert all(theirs[name] is kind for name, kind in ours.items())


def test_what_is_no_column_stands_in_the_hashed_record(tmp_path: Path) -> None:
    engine = address.connect(f"sqlite:///{tmp_path / 'centre.db'}")
    central.prepare(engine)
    with Store.open(make_bank(tmp_path / "one.db", days=2)) as store:
        push(store, engine, "hill", 1_790_000_000_000)
        with engine.connect() as conn, store.reading() as own:
            lines = conn.execute(text("SELECT record FROM fleet_day ORDER BY seq")).scalars().all()
            query = text("SELECT seq, supersedes, first_ms FROM sealed_day ORDER BY seq")
            rows = [tuple(row) for row in own.execute(query)]
    engine.dispose()
    said = [json.loads(line) for line in lines]
    assert [(r["seq"], r["supersedes"], r["first_ms"]) for r in said] == rows
