from __future__ import annotations

import pytest

from adapters.base import Subject
from logger.record.store import Stamped, Store
from logger.record.store_space import space
from tests.logger.made import make_day


def test_an_empty_record_has_no_rate(store: Store) -> None:
    now = space(store)
    assert (now.hot_readings, now.sealed_days, now.bytes_per_day, now.days_left) == (0, 0, None, None)
    assert now.record_bytes > 0
    assert now.free_bytes > 0


def test_the_rate_is_that_of_recent_days(store: Store) -> None:
    for day in ("2026-02-05", "2026-02-06"):
        for pack in ("A", "B"):
            store.adopt(pack, make_day(day), now_ms=1_900_000_000_000)
    store.append([Stamped(Subject("A"), 1_900_000_000_000, {"soc": 1})])
    now = space(store)
    with store.reading() as conn:
        blobs = conn.exec_driver_sql("SELECT sum(length(blob)) FROM sealed_day").scalar()
        digests = conn.exec_driver_sql("SELECT sum(length(core) + length(detail)) FROM digest").scalar()
    assert blobs is not None
    assert digests is not None
    assert (now.hot_readings, now.sealed_days) == (1, 4)
    assert now.bytes_per_day == pytest.approx((blobs + digests) / 2)
    assert now.days_left == pytest.approx(now.free_bytes / ((blobs + digests) / 2))
