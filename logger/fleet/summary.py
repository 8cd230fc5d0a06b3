"""What the desk compares of a bank: a handful of numbers a pack, made from its health."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import asdict
from datetime import date
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from analysis.fleet.peers import PackSummary
    from analysis.health import PackHealth
    from analysis.history import Bank, History

KIND = "summary"
"""`kind` of the summaries among the report numbers at the centre."""


def summarise(name: str, bank: Bank) -> tuple[PackSummary, ...]:
    """Return a bank's summary, one a pack with a record."""
    from analysis.health import health

    return tuple(
        _summary(name, history, pack)
        for history, pack in zip(bank.packs, health(bank).packs, strict=True)
        if history.days
    )


def dumps(packs: Sequence[PackSummary]) -> str:
    """Turn a summary into JSON."""
    return json.dumps([asdict(p) for p in packs], sort_keys=True)


def loads(name: str, text: str) -> tuple[PackSummary, ...]:
    """Turn JSON back, under the name the bank has at the centre."""
    from analysis.fleet.peers import PackSummary

    return tuple(PackSummary(**{**row, "bank": name}) for row in json.loads(text))


def _summary(bank: str, history: History, pack: PackHealth) -> PackSummary:
    from analysis.fleet.peers import PackSummary

    facts = history.facts
    first = facts.installed or history.days[0]
    age = (date.fromisoformat(history.days[-1]) - date.fromisoformat(first)).days
    return PackSummary(
        bank, pack.name, facts.n_cells, facts.rated_ah, float(age), _climate(pack), _numbers(pack)
    )


def _numbers(pack: PackHealth) -> dict[str, float]:
    leaks = [c.leak.value for c in pack.imbalance.cells if c.leak.value is not None]
    excess = [c.ratio.value for c in pack.resistance.cells if c.ratio.value is not None]
    found = {
        "round_trip_efficiency_1": pack.efficiency.round_trip.value,
        "capacity_share_1": pack.capacity.of_rated.value if pack.capacity.pairs else None,
        "heater_wh_a_day": pack.cold.energy_per_day.value,
        "worst_leak_ma": max(leaks, default=None),
        "worst_resistance_share_1": max(excess, default=None),
    }
    return {name: float(v) for name, v in found.items() if v is not None and math.isfinite(v)}


def _climate(pack: PackHealth) -> float | None:
    """Return the mean ambient of the record, or the mean of the coldest cell without one. [°C]"""
    for values in ([p.ambient_c for p in pack.cold.days], [p.cell_min_c for p in pack.cold.days]):
        known = [v for v in values if math.isfinite(v)]
        if known:
            return sum(known) / len(known)
    return None
