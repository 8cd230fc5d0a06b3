"""What ten years cost: reading digests back and computing every long-term number from them.

Run `nice python tests/benchmarks/bench_history.py [--years 10] [--cache FILE]`. The digests are those of
`ten_years.py`; `--base 60` repeats two months instead, so that a leak that begins and ends again and again
bends the record every two months: the worst that the search for changes can meet.
"""

from __future__ import annotations

import argparse
import cProfile
import datetime as dt
import gc
import pstats
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from ten_years import CACHE, PACKS, Day, base, repeated

from analysis.digest import loads
from analysis.findings import findings
from analysis.health import health
from analysis.history import LOOK_BACK_DAYS, Bank, History
from sample_data.orchard import ORCHARD

Made = TypeVar("Made")


def timed(label: str, work: Callable[[], Made], goal: str = "") -> Made:
    """Run, print CPU seconds, return the result."""
    start = time.process_time()
    result = work()
    print(f"{label:<40}{time.process_time() - start:9.3f} s   {goal}")
    return result


def bank_of(kept: dict[str, list[Day]]) -> Bank:
    """Decode everything as the logger does, the collector paused: nothing of it can be garbage."""
    gc.disable()
    histories = [
        History.of(
            PACKS[name],
            [
                loads(core, detail if left <= LOOK_BACK_DAYS else None)
                for left, (_, core, detail) in zip(range(len(days), 0, -1), days, strict=True)
            ],
        )
        for name, days in kept.items()
    ]
    gc.freeze()
    gc.enable()
    return Bank(tuple(histories), ORCHARD.timezone)


def main() -> None:
    """Measure and print."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--years", type=float, default=10)
    options.add_argument("--base", type=int, default=LOOK_BACK_DAYS, help="days simulated")
    options.add_argument("--cache", type=Path, default=CACHE, help="where the simulated digests are kept")
    options.add_argument("--stages", action="store_true")
    chosen = options.parse_args()
    made = base(chosen.cache, chosen.base)
    kept = {name: repeated(days, round(365 * chosen.years)) for name, days in made.items()}
    size = sum(len(core) for days in kept.values() for _, core, _ in days)
    print(f"{sum(map(len, kept.values()))} digests of two packs, {size / 1e6:.1f} MB without detail")
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
