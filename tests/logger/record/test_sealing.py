from __future__ import annotations

import io

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.record.sealing import LEAD_MS, decode_day, encode_day, merge, tidy

values = st.one_of(
    st.none(), st.integers(-(2**31), 2**31 - 1), st.integers(-300, 300).map(lambda v: v * 1000)
)
rows = st.dictionaries(
    st.integers(0, 2**42), st.tuples(values, values, st.integers(0, 2**32 - 1)), max_size=40
)


def table(content: dict[int, tuple[int | None, int | None, int]]) -> pa.Table:
    times = list(content)
    columns = list(zip(*content.values(), strict=True)) or [(), (), ()]
    names = ("pack_a", "cell_01_v", "warnings")
    arrays = {n: pa.array(c, pa.int64()) for n, c in zip(names, columns, strict=True)}
    return pa.table({"time_ms": pa.array(times, pa.int64()), **arrays})


def content(of: pa.Table) -> dict[int, dict[str, int]]:
    return {r.pop("time_ms"): {k: v for k, v in r.items() if v is not None} for r in of.to_pylist()}


@given(rows.filter(bool))
def test_a_sealed_day_gives_back_what_was_put_in(
    given_rows: dict[int, tuple[int | None, int | None, int]],
) -> None:
    day = tidy(table(given_rows), "pack")
    assert decode_day(encode_day(day)).equals(day)
    assert decode_day(encode_day(day), threads=True).equals(day)


@given(rows.filter(bool))
def test_the_tail_is_the_last_half_hour(given_rows: dict[int, tuple[int | None, int | None, int]]) -> None:
    day = tidy(table(given_rows), "pack")
    times = day.column("time_ms").to_numpy()
    tail = decode_day(encode_day(day), tail=True)
    assert tail.column("time_ms").to_pylist() == [t for t in times if t >= times[-1] - LEAD_MS]


@given(rows, rows)
def test_merging_keeps_everything_and_the_new_value_stands(
    old: dict[int, tuple[int | None, int | None, int]], new: dict[int, tuple[int | None, int | None, int]]
) -> None:
    merged = content(merge(table(old), table(new), "pack"))
    before, after = content(tidy(table(old), "pack")), content(tidy(table(new), "pack"))
    assert merged == {t: before.get(t, {}) | after.get(t, {}) for t in sorted(before.keys() | after.keys())}
    assert merge(merge(table(old), table(new), "pack"), table(new), "pack").equals(
        merge(table(old), table(new), "pack")
    )


def test_a_coarse_source_is_stored_without_its_zeros() -> None:
    day = tidy(table({1000 * i: (10 * i, 3300 + i, 0) for i in range(100)}), "pack")
    stored = pq.read_table(io.BytesIO(encode_day(day)))
    assert stored.schema.field("pack_a").metadata[b"factor"] == b"10"
    assert stored.column("pack_a").to_pylist() == list(range(100))
    assert (
        stored.schema.field("cell_01_v").metadata in (None, {})
        or b"factor" not in stored.schema.field("cell_01_v").metadata
    )


def test_columns_are_delta_packed_and_zstd() -> None:
    day = tidy(table({1000 * i: (i, 3300, 0) for i in range(100)}), "pack")
    group = pq.ParquetFile(io.BytesIO(encode_day(day))).metadata.row_group(0)
    for index in range(group.num_columns):
        assert "DELTA_BINARY_PACKED" in group.column(index).encodings
        assert group.column(index).compression == "ZSTD"


def test_one_order_no_instant_twice_no_empty_column() -> None:
    mixed = pa.table({"temp_1": [None, None, None], "cell_01_v": [1, 2, 3], "time_ms": [30, 10, 10]})
    assert tidy(mixed, "pack").to_pydict() == {"time_ms": [10, 30], "cell_01_v": [3, 1]}


def test_a_column_the_catalogue_does_not_know_is_refused() -> None:
    with pytest.raises(ValueError, match="colour"):
        tidy(pa.table({"time_ms": [1], "colour": [2]}), "pack")
    with pytest.raises(ValueError, match="time_ms"):
        tidy(pa.table({"pack_a": [1]}), "pack")


def test_bytes_a_reading_stay_near_the_entropy_of_the_noise() -> None:
    # 16 cells with noise of 0.9 steps: entropy of a rounded normal, ½ log2(2πe σ²) = 1.9 bit each
    # (Cover and Thomas, Elements of Information Theory, 2nd ed., example 8.1.2), so 16 × 1.9 / 8 = 3.8 byte.
    rng = np.random.default_rng(1)
    columns = {
        f"cell_{i:02d}_v": (3320 + rng.normal(0, 0.9, 86_400)).round().astype(np.int32) for i in range(1, 17)
    }
    day = tidy(pa.table({"time_ms": np.arange(86_400, dtype=np.int64) * 1000, **columns}), "pack")
    assert 3.8 < len(encode_day(day)) / 86_400 < 2 * 3.8
