"""The live early warnings of one pack, rule by rule. Thresholds are practice, editable in [watch].

A rule looks at one reading in physical units and says whether its condition holds, whether its release holds,
and in words what was seen. Hold and hysteresis are `logger.alerts.latch`'s business.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal, TypeAlias

from adapters.channels import cell_name, temp_name
from analysis.facts import PackFacts
from logger.alerts.bit_names import Names, spelt
from logger.settings import Watch

Values: TypeAlias = Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Look:
    """What a rule saw: its value, whether it is over, whether it is clear again, and the sentence."""

    value: float
    unit: str
    over: bool
    clear: bool
    text: str


@dataclass(frozen=True, slots=True)
class Rule:
    """One warning: how severe, how long it must hold, and how to look."""

    kind: str
    severity: Literal["watch", "act"]
    hold_s: float
    release_s: float
    look: Callable[[Values], Look | None]


@dataclass(slots=True)
class HeaterWatch:
    """Remembers when the heater came on, and from how cold."""

    minutes: float
    rise_c: float
    cell_temps: int
    _start: tuple[float, float] | None = field(default=None)

    def look(self, values: Values) -> Look | None:
        """Say whether the heater has run for long without any rise; needs the reading's "time_s"."""
        cold = _coldest(values, self.cell_temps)
        if "heater_on" not in values or cold is None:
            return None
        if not values["heater_on"] or (self._start and cold >= self._start[1] + self.rise_c):
            self._start = None
            return Look(0.0, "min", over=False, clear=True, text="the heater warms, or is off")
        if self._start is None:
            self._start = (values["time_s"], cold)
        ran = (values["time_s"] - self._start[0]) / 60
        text = f"heater on for {ran:.0f} min and the coldest cell still at {cold:.1f} °C"
        return Look(ran, "min", over=ran >= self.minutes, clear=False, text=text)


def rules(facts: PackFacts, watch: Watch, names: Names | None = None) -> tuple[Rule, ...]:
    """Return the rules of one pack; `names` are those of its warning and protection bits."""
    known = names or {}
    heater = HeaterWatch(watch.heater_minutes, watch.heater_rise_c, facts.cell_temps)
    return (
        Rule("cell_high", "act", 5, 30, lambda v: _cell_high(v, facts, watch)),
        Rule("cell_low", "act", 5, 30, lambda v: _cell_low(v, facts, watch)),
        Rule("top_spread", "watch", 30, 60, lambda v: _top_spread(v, facts, watch)),
        Rule("cold_charge", "act", 30, 60, lambda v: _cold_charge(v, facts, watch)),
        Rule("heater_no_rise", "watch", 0, 0, heater.look),
        Rule("protection", "act", 2, 10, lambda v: _bits(v, "protections", known)),
        Rule("pack_warning", "watch", 10, 60, lambda v: _bits(v, "warnings", known)),
    )


def _cells(values: Values, facts: PackFacts) -> list[tuple[float, int]]:
    return [(values[cell_name(i)], i) for i in range(1, facts.n_cells + 1) if cell_name(i) in values]


def _coldest(values: Values, cell_temps: int) -> float | None:
    return min(
        (values[temp_name(i)] for i in range(1, cell_temps + 1) if temp_name(i) in values), default=None
    )


def _cell_high(values: Values, facts: PackFacts, watch: Watch) -> Look | None:
    cells = _cells(values, facts)
    if not cells:
        return None
    limit = facts.cell_high_trip_v - 0.07 if watch.cell_high_v is None else watch.cell_high_v
    volts, number = max(cells)
    text = f"cell {number} at {volts:.3f} V nears the cut-off at {facts.cell_high_trip_v:.2f} V"
    return Look(volts, "V", over=volts >= limit, clear=volts < limit - 0.03, text=text)


def _cell_low(values: Values, facts: PackFacts, watch: Watch) -> Look | None:
    cells = _cells(values, facts)
    if not cells:
        return None
    limit = facts.cell_low_trip_v + 0.30 if watch.cell_low_v is None else watch.cell_low_v
    volts, number = min(cells)
    text = f"cell {number} at {volts:.3f} V nears the cut-off at {facts.cell_low_trip_v:.2f} V"
    return Look(volts, "V", over=volts <= limit, clear=volts > limit + 0.05, text=text)


def _top_spread(values: Values, facts: PackFacts, watch: Watch) -> Look | None:
    cells = _cells(values, facts)
    if len(cells) < 2:
        return None
    (low, lowest), (high, highest) = min(cells), max(cells)
    spread = high - low
    text = f"top: cell {highest} ({high:.3f} V) and cell {lowest} ({low:.3f} V) {1000 * spread:.0f} mV apart"
    over = high >= watch.top_from_v and spread > watch.top_spread_v
    clear = high < watch.top_from_v - 0.02 or spread < 0.8 * watch.top_spread_v
    return Look(1000 * spread, "mV", over=over, clear=clear, text=text)


def _cold_charge(values: Values, facts: PackFacts, watch: Watch) -> Look | None:
    cold, amps = _coldest(values, facts.cell_temps), values.get("pack_a")
    if cold is None or amps is None:
        return None
    over = cold <= facts.charge_floor_c and amps > watch.cold_charge_a
    clear = cold > facts.charge_floor_c + 1 or amps < watch.cold_charge_a / 2
    text = f"charging with {amps:.1f} A while the coldest cell is at {cold:.1f} °C"
    return Look(cold, "°C", over=over, clear=clear, text=text)


def _bits(values: Values, channel: str, names: Names) -> Look | None:
    if channel not in values:
        return None
    bits = int(values[channel])
    text = f"the pack reports {channel}: {spelt(bits, names.get(channel, {}))}" if bits else ""
    return Look(bits, "", over=bits != 0, clear=bits == 0, text=text)
