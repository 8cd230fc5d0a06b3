from __future__ import annotations

import csv
from pathlib import Path

import pyarrow.dataset as ds
import pyarrow.parquet as pq
import pytest

from adapters.base import Subject
from adapters.channels import CATALOGUE
from logger.record.export import Form, export_csv, export_parquet, read_exported
from logger.record.store import Store
from tests.logger.made import make_day

LATER = 1_900_000_000_000
A = Subject("A")


@pytest.fixture
def filled(store: Store) -> Store:
    """Two sealed days of A with other channels, and a hot one."""
    store.adopt("A", make_day("2026-02-06"), now_ms=LATER)
    store.adopt("A", make_day("2026-02-07").drop_columns(["soc"]), now_ms=LATER)
    store.adopt("A", make_day("2026-02-08").slice(0, 5), now_ms=0)
    return store


@pytest.mark.parametrize("form", ["physical", "integers"])
def test_what_is_exported_reads_back_exactly(filled: Store, tmp_path: Path, form: Form) -> None:
    files = export_parquet(filled, tmp_path, site="Upper Orchard", form=form)
    assert [str(f.relative_to(tmp_path)) for f in files] == [
        f"site=Upper-Orchard/pack=A/day=2026-02-0{d}/readings.parquet" for d in (6, 7, 8)
    ]
    for file, day in zip(files, ("2026-02-06", "2026-02-07", "2026-02-08"), strict=True):
        assert read_exported(file).equals(filled.table(A, day))


def test_any_parquet_reader_sees_physical_values(filled: Store, tmp_path: Path) -> None:
    export_parquet(filled, tmp_path / "out", site="orchard", last="2026-02-07")
    table = ds.dataset(tmp_path / "out", partitioning="hive").to_table(filter=ds.field("day") == "2026-02-06")
    assert table.num_rows == 1440
    raw = filled.table(A, "2026-02-06").column("cell_01_v")[3].as_py()
    assert table.column("cell_01_v")[3].as_py() == raw / 1000
    assert str(table.schema.field("timestamp").type) == "timestamp[ms, tz=UTC]"


def test_integers_carry_unit_and_scale(filled: Store, tmp_path: Path) -> None:
    file = export_parquet(filled, tmp_path, site="orchard", form="integers", packs=["A"])[0]
    field = pq.read_schema(file).field("pack_a")
    assert field.metadata[b"unit"] == b"A"
    assert float(field.metadata[b"scale"]) == CATALOGUE["pack_a"].scale


def test_csv_has_the_catalogues_columns_and_exact_values(filled: Store, tmp_path: Path) -> None:
    assert export_csv(filled, tmp_path / "a.csv", subject=A) == 2 * 1440 + 5
    with (tmp_path / "a.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert list(rows[0])[:3] == ["timestamp", "pack_v", "pack_a"]
    assert rows[0]["timestamp"] == "2026-02-05T23:00:00.000Z"
    first = filled.table(A, "2026-02-06").slice(0, 1).to_pylist()[0]
    assert rows[0]["cell_01_v"] == f"{first['cell_01_v'] / 1000:g}"
    assert float(rows[0]["pack_a"]) == first["pack_a"] / 100
    assert rows[1440]["soc"] == ""  # that day had none


def test_a_csv_imported_again_says_nothing_new(filled: Store, tmp_path: Path) -> None:
    from adapters.csv_import import read_tables

    export_csv(filled, tmp_path / "a.csv", subject=A, last="2026-02-07")
    with filled.adopting(now_ms=LATER, workers=0) as adopter:
        for table in read_tables(tmp_path / "a.csv", CATALOGUE):
            adopter.put(A, table)
    assert (adopter.outcome.unchanged, adopter.outcome.revised) == (2, 0)


def test_battery_data_format(filled: Store, tmp_path: Path) -> None:
    # Names: batterydf 0.1.0, bdf/normalize/spec.py; the first three are its required columns, in its order.
    export_csv(filled, tmp_path / "a.csv", subject=A, form="bdf")
    with (tmp_path / "a.csv").open() as file:
        rows = list(csv.DictReader(file))
    names = ["Test Time / s", "Voltage / V", "Current / A", "Unix Time / s"]
    assert list(rows[0])[:4] == names
    assert "Surface Temperature T2 / degC" in rows[0]
    assert "cell_04_v / V" in rows[0]
    assert float(rows[0]["Test Time / s"]) == 0
    assert float(rows[1440]["Test Time / s"]) == 86_400
    assert float(rows[0]["Unix Time / s"]) == 1_770_332_400  # 2026-02-05T23:00Z
    files = export_parquet(filled, tmp_path / "p", site="orchard", form="bdf")
    assert pq.read_table(files[1], partitioning=None).column("Test Time / s")[0].as_py() == 86_400
    assert pq.read_schema(files[0]).names[:4] == names


def test_a_foreign_file_is_refused(tmp_path: Path) -> None:
    import pyarrow as pa

    pq.write_table(pa.table({"x": [1]}), tmp_path / "x.parquet")
    with pytest.raises(ValueError, match="not a day"):
        read_exported(tmp_path / "x.parquet")
