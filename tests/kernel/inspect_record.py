"""Open a record that a power cut left, check it whole, and compare it with what was said to be safe.

Usage: inspect_record.py RECORD COMMITTED_MS SEALED_MS; prints JSON; exit code 0 if it could be looked at.
"""

import json
import sqlite3
import sys
from pathlib import Path

from adapters.base import Subject
from logger.record.store import Store


def main() -> None:
    """Look at one record."""
    record, committed, sealed = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
    if not record.exists():
        print(json.dumps({"ok": committed == 0, "why": "no file"}))
        return
    # A writer opens it, as the logger would after the cut: the journal is rolled back or forward.
    with Store.open(record, logging=True, timezone="UTC") as store:
        verified = store.verify()
        newest = {}
        for pack in "AB":
            latest = store.latest(Subject(pack))
            days = [d.last_ms for d in store.sealed_days(pack)]
            newest[pack] = max([*days, latest.time_ms if latest else 0])
        last_sealed = {p: max([d.day for d in store.sealed_days(p)], default="") for p in "AB"}
    with sqlite3.connect(record) as conn:
        integrity = conn.execute("PRAGMA integrity_check").fetchone()[0]
    missing_ms = max(committed - min(newest.values()), 0)
    days = 0 if sealed == 0 else sealed // 86_400_000
    have = min(store_days(d) for d in last_sealed.values())
    ok = verified.ok and integrity == "ok" and missing_ms == 0 and (days == 0 or have >= days - 1)
    print(
        json.dumps(
            {"ok": ok, "integrity": integrity, "chain": verified.ok, "sealed_days": verified.days,
             "missing_s": missing_ms / 1000, "last_sealed": last_sealed}
        )
    )  # fmt: skip


def store_days(day: str) -> int:
    """Return days since 1970 of a date; 0 if there is none."""
    from datetime import date

    return 0 if not day else (date.fromisoformat(day) - date(1970, 1, 1)).days


if __name__ == "__main__":
    main()
