"""Ten years of digests for the benchmarks: a simulated base, repeated with shifted dates.

The base is as long as the present is looked back on, `LOOK_BACK_DAYS`, and ends where the record ends, so
that nothing that looks back meets a seam. It is the orchard, but its one bad cell begins to leak two months
before the end: nobody would leave it for years. Making it takes a quarter of an hour; `CACHE` keeps it.
"""

from __future__ import annotations

import datetime as dt
import pickle
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeAlias
from zoneinfo import ZoneInfo

import numpy as np

from analysis.codec import END
from analysis.digest import VERSION, digest, dumps
from analysis.facts import PackFacts
from analysis.history import LOOK_BACK_DAYS
from logger.record.store_frames import to_frame, to_witness
from sample_data.history import bounds, simulate
from sample_data.orchard import ORCHARD

CACHE = Path.home() / ".cache" / "bankbook" / "ten-years.pickle"
LAST = dt.date(2036, 1, 20)
LEAKS_DAYS = 60
EPOCH_S = 1e9
Kept: TypeAlias = tuple[bytes, bytes]
Day: TypeAlias = tuple[str, bytes, bytes]
"""Local date, core and detail."""
PACKS = {name: PackFacts(name, heater_w=140.0, heater_measured="inside") for name in "AB"}


def base(cache: Path = CACHE, days: int = LOOK_BACK_DAYS) -> dict[str, list[Kept]]:
    """Digests of so many days up to `LAST`, by pack."""
    if cache.exists():
        version, length, kept = pickle.loads(cache.read_bytes())  # noqa: S301 - written by this script
        if (version, length) == (VERSION, days):
            return dict(kept)
    made: dict[str, list[Kept]] = {name: [] for name in PACKS}
    before: dict[str, Any] = {}
    late = tuple(replace(fault, onset_day=max(days - LEAKS_DAYS, 0)) for fault in ORCHARD.faults)
    place = replace(ORCHARD, faults=late)
    for day in simulate(place, LAST - dt.timedelta(days=days - 1), days, period_s=10):
        seen = [to_witness("hall", day.witness["hall"])]
        span = bounds(day.day, ZoneInfo(ORCHARD.timezone))
        for name, facts in PACKS.items():
            frame = to_frame(name, str(day.day), span, day.tables[name], before.get(name))
            made[name].append(dumps(digest(frame, facts, seen)))
            before[name] = day.tables[name].slice(max(day.tables[name].num_rows - 90, 0))
    cache.parent.mkdir(parents=True, exist_ok=True)
    cache.write_bytes(pickle.dumps((VERSION, days, made)))
    return made


def repeated(kept: list[Kept], days: int) -> list[Day]:
    """So many days up to `LAST`, the base over and over, in order."""
    out = []
    for back in range(days):
        turn, index = divmod(back, len(kept))
        core, detail = kept[-1 - index]
        earlier = -turn * len(kept) * 86400.0
        day = str(LAST - dt.timedelta(days=back))
        out.append((day, _moved(core, earlier, day), _moved(detail, earlier, None)))
    return out[::-1]


def _moved(part: bytes, seconds: float, day: str | None) -> bytes:
    """The same day at another date: every instant within moved, and the date if this part has it."""
    end = 4 + 8 * int.from_bytes(part[:4], "little")
    numbers = np.frombuffer(part[4:end]).copy()
    numbers[(numbers > EPOCH_S) & (numbers < 1e10)] += seconds
    strings = part[end:].decode().split(END)
    if day is not None:
        strings[1] = day
    return part[:4] + numbers.tobytes() + END.join(strings).encode()
