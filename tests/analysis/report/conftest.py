"""Ten days of the orchard bank, sparsely sampled: enough to set every section, quick enough to run often."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from zoneinfo import ZoneInfo

import pytest

from analysis.digest import DayDigest, digest
from analysis.facts import PackFacts, WarrantyTerms
from analysis.finding import Finding, Forecast
from analysis.history import Bank, History
from logger.record.days import day_bounds
from logger.record.store_frames import to_frame, to_witness
from sample_data.history import simulate
from sample_data.orchard import ORCHARD

FIRST, DAYS = date(2026, 1, 5), 14
ZONE = ZoneInfo("Europe/Vienna")
TERMS = WarrantyTerms("2025-11-01", 10, 0.7, 30e6, 6000)


def facts(name: str) -> PackFacts:
    return PackFacts(name, heater_w=140, heater_measured="inside", installed="2025-11-20", warranty=TERMS)


@pytest.fixture(scope="session")
def bank() -> Bank:
    digests: dict[str, list[DayDigest]] = {"A": [], "B": []}
    for one in simulate(ORCHARD, FIRST, DAYS, period_s=30):
        day = one.day.isoformat()
        bounds = day_bounds(day, ZONE)
        seen = tuple(to_witness(n, t) for n, t in one.witness.items())
        for name, found in digests.items():
            found.append(digest(to_frame(name, day, bounds, one.tables[name]), facts(name), seen))
    packs = tuple(History.of(facts(name), found) for name, found in digests.items())
    return Bank(packs, ZONE.key)


@pytest.fixture(scope="session")
def gappy(bank: Bank) -> Bank:
    """The same bank with two days of pack B missing."""
    a, b = bank.packs
    kept = tuple(d for d in b.digests if d.day not in {"2026-01-14", "2026-01-15"})
    return replace(bank, packs=(a, History.of(b.facts, kept)))


@pytest.fixture
def leak() -> Finding:
    return Finding(
        "self_discharge", "B", 11, "2026-01-08", "watch", 0.93, 22.6, 20.4, 24.8, "mA",
        "Cell 11 loses charge on its own.", "Let the pack stand full for a week.",
        Forecast("cell 11 ends the discharge of the pack", "2026-03-01", "2026-02-12", "2026-03-29"),
        ("For: it fell behind from 2026-01-08 to 2026-01-18.", "Against: it is -0.2 mV off at rest."),
    )  # fmt: skip


def last_day() -> str:
    return (FIRST + timedelta(days=DAYS - 1)).isoformat()
