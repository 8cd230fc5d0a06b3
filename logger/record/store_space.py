"""How big the record is, how fast it grows, how long the disk lasts."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import func, select

from logger.record import schema
from logger.record.store_engine import is_url

if TYPE_CHECKING:
    from logger.record.store import Store

RECENT_DAYS = 30
HOT_BYTES = 125
"""A hot reading of 24 channels, measured; see tests/benchmarks/bench_store.py. [byte]"""


@dataclass(frozen=True, slots=True)
class Space:
    """Room taken and left.

    Attributes
    ----------
    record_bytes, wal_bytes, free_bytes : int
        The record's file, its write-ahead log, and what the disk has left. [byte]
    hot_readings, sealed_days : int
    bytes_per_day : float or None
        What a day adds for good: recent sealed days of every subject, and digests; None without any. [byte]
    days_left : float or None
        Until the disk is full at that rate. [day]
    """

    record_bytes: int
    wal_bytes: int
    free_bytes: int
    hot_readings: int
    sealed_days: int
    bytes_per_day: float | None
    days_left: float | None


def space(store: Store) -> Space:
    """Measure a record that is a file."""
    path = Path("." if is_url(store.address) else store.address)
    s, d = schema.sealed_day, schema.digest
    with store.reading() as conn:
        hot = sum(
            int(conn.execute(select(func.count()).select_from(t)).scalar_one())
            for t in (schema.reading, schema.witness_reading)
        )
        count = int(conn.execute(select(func.count()).select_from(s)).scalar_one())
        newest = (
            conn.execute(select(s.c.day).distinct().order_by(s.c.day.desc()).limit(RECENT_DAYS))
            .scalars()
            .all()
        )
        sealed = (
            conn.execute(select(func.sum(func.length(s.c.blob))).where(s.c.day.in_(newest))).scalar() or 0
        )
        digests = (
            conn.execute(
                select(func.sum(func.length(d.c.core) + func.length(d.c.detail))).where(d.c.day.in_(newest))
            ).scalar()
            or 0
        )
    rate = (int(sealed) + int(digests)) / len(newest) if newest else None
    free = shutil.disk_usage(path.absolute().parent).free
    return Space(
        record_bytes=_size(path),
        wal_bytes=_size(Path(f"{path}-wal")),
        free_bytes=free,
        hot_readings=hot,
        sealed_days=count,
        bytes_per_day=rate,
        days_left=free / rate if rate else None,
    )


def _size(path: Path) -> int:
    return path.stat().st_size if path.is_file() else 0
