"""What ten years cost: reading digests back and computing every long-term number from them.

Run `nice python tests/benchmarks/bench_history.py [--years 10] [--cache FILE]`. Sixty days of the orchard,
both packs, are digested once and repeated with shifted dates; `--cache` keeps them between runs.
"""

from __future__ import annotations

import argparse
import cProfile
import datetime as dt
import gc
import pickle
import pstats
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeAlias, TypeVar

import numpy as np

from analysis.codec import END
from analysis.digest import VERSION, dumps, loads
from analysis.facts import PackFacts
from analysis.findings import findings
from analysis.health import health
from analysis.history import LOOK_BACK_DAYS, Bank, History
from logger.record.store_frames import to_frame, to_witness
from sample_data.history import bounds, simulate
from sample_data.orchard import ORCHARD

FIRST = dt.date(2015, 10, 1)
BASE_DAYS = 60
EPOCH_S = 1e9
Kept: TypeAlias = tuple[bytes, bytes]
PACKS = {"A": PackFacts("A", heater_measured="outside"), "B": PackFacts("B", heater_measured="outside")}


def base(cache: Path | None) -> dict[str, list[Kept]]:
    """The first days' digests, by pack."""
    if cache is not None and cache.exists():
        version, kept = pickle.loads(cache.read_bytes())  # noqa: S301 - written by this script
        if version == VERSION:
            return dict(kept)
    from zoneinfo import ZoneInfo

    from analysis.digest import digest

    made: dict[str, list[Kept]] = {name: [] for name in PACKS}
    before: dict[str, Any] = {}
    for day in simulate(ORCHARD, FIRST, BASE_DAYS, period_s=10):
        seen = [to_witness("hall", day.witness["hall"])]
        span = bounds(day.day, ZoneInfo(ORCHARD.timezone))
        for name, facts in PACKS.items():
            frame = to_frame(name, str(day.day), span, day.tables[name], before.get(name))
            made[name].append(dumps(digest(frame, facts, seen)))
            before[name] = day.tables[name].slice(max(day.tables[name].num_rows - 90, 0))
    if cache is not None:
        cache.write_bytes(pickle.dumps((VERSION, made)))
    return made


def moved(part: bytes, seconds: float, day: str | None) -> bytes:
    """The same day at another date: every instant within moved, and the date if this part has it."""
    end = 4 + 8 * int.from_bytes(part[:4], "little")
    numbers = np.frombuffer(part[4:end]).copy()
    numbers[(numbers > EPOCH_S) & (numbers < 1e10)] += seconds
    strings = part[end:].decode().split(END)
    if day is not None:
        strings[1] = day
    return part[:4] + numbers.tobytes() + END.join(strings).encode()


def years(kept: list[Kept], days: int) -> list[tuple[bytes, bytes | None]]:
    """Repeat the days with later dates."""
    out: list[tuple[bytes, bytes | None]] = []
    for number in range(days):
        turn, index = divmod(number, len(kept))
        later = turn * len(kept) * 86400.0
        core = moved(kept[index][0], later, str(FIRST + dt.timedelta(days=number)))
        out.append((core, moved(kept[index][1], later, None) if number >= days - LOOK_BACK_DAYS else None))
    return out


Made = TypeVar("Made")


def timed(label: str, work: Callable[[], Made], goal: str = "") -> Made:
    """Run, print CPU seconds, return the result."""
    start = time.process_time()
    result = work()
    print(f"{label:<40}{time.process_time() - start:9.3f} s   {goal}")
    return result


def bank_of(kept: dict[str, list[tuple[bytes, bytes | None]]]) -> Bank:
    """Decode everything, the collector paused: nothing of it can be garbage."""
    gc.disable()
    histories = [History.of(PACKS[name], [loads(*parts) for parts in days]) for name, days in kept.items()]
    gc.freeze()
    gc.enable()
    return Bank(tuple(histories), ORCHARD.timezone)


def main() -> None:
    """Measure and print."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--years", type=float, default=10)
    options.add_argument("--cache", type=Path)
    options.add_argument("--stages", action="store_true")
    chosen = options.parse_args()
    kept = {name: years(days, round(365 * chosen.years)) for name, days in base(chosen.cache).items()}
    size = sum(len(core) + len(detail or b"") for days in kept.values() for core, detail in days)
    print(f"{sum(map(len, kept.values()))} digests of two packs, {size / 1e6:.1f} MB")
    bank = timed("decode", lambda: bank_of(kept))
    last = bank.packs[0].days[-1]
    week = str(dt.date.fromisoformat(last) - dt.timedelta(days=6))
    now = timed("health of the last week", lambda: health(bank, week, last), "goal with decode 2 s")
    timed("findings", lambda: findings(bank, known=now), "goal with decode 2 s")
    timed("health of all", lambda: health(bank))
    if chosen.stages:
        profile = cProfile.Profile()
        again = bank_of(kept)
        profile.runcall(lambda: findings(again, known=health(again, week, last)))
        pstats.Stats(profile).sort_stats("cumulative").print_stats(r"analysis", 45)


if __name__ == "__main__":
    main()
