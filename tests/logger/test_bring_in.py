from __future__ import annotations

from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
from hypothesis import given
from hypothesis import strategies as st

from logger.bring_in import whole_days
from logger.days import local_day

VIENNA = ZoneInfo("Europe/Vienna")


@given(
    st.integers(1_700_000_000_000, 1_800_000_000_000),
    st.lists(st.integers(0, 40_000_000), min_size=1, max_size=60),
    st.integers(1, 9),
)
def test_nothing_is_lost_and_days_come_whole(start: int, gaps: list[int], size: int) -> None:
    times = start + np.cumsum(np.array(gaps, np.int64))
    pieces = [pa.table({"time_ms": times[i : i + size]}) for i in range(0, len(times), size)]
    out = list(whole_days(pieces, VIENNA))
    again = np.concatenate([t.column("time_ms").to_numpy() for t in out])
    assert again.tolist() == times.tolist()
    seen: set[str] = set()
    for table in out:
        days = {local_day(int(t), VIENNA) for t in table.column("time_ms").to_numpy()}
        assert not days & seen, "a day came twice"
        seen |= days


def test_a_file_that_jumps_back_is_passed_on_too() -> None:
    pieces = [pa.table({"time_ms": [172_800_000]}), pa.table({"time_ms": [0, 1]})]
    out = list(whole_days(pieces, ZoneInfo("UTC")))
    assert sorted(t for table in out for t in table.column("time_ms").to_pylist()) == [0, 1, 172_800_000]
