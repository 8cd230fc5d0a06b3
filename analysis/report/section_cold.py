"""What the cold did: temperatures, heater, charging pushed and refused."""

from __future__ import annotations

import math
from collections.abc import Callable

from analysis.estimate import Estimate
from analysis.health import PackHealth
from analysis.history import History
from analysis.packs.cold import Cold
from analysis.report.dates import span_text
from analysis.report.figures_cold import ColdDay, HeaterLine, cold_days, heater_against_air
from analysis.report.numbers import Units, say, temperature_text, value_text
from analysis.report.scope import Scope, gallery, numbers, together
from analysis.report.value import Block, Figure, Numbers, Row, Section, Statement

BELOW_0 = "Time with the coldest cell below {}"
_WEEK: tuple[tuple[str, str, Callable[[PackHealth], Estimate]], ...] = (
    ("heater_on", "Heater on, each day", lambda p: p.cold.on_time),
    ("heater_energy", "Energy for heating", lambda p: p.cold.energy),
    ("below_0", BELOW_0, lambda p: p.cold.below_0),
    ("pushed", "Charge put in at or below the charging floor", lambda p: p.cold.pushed),
    ("refused", "Time in which the pack refused charge for the cold", lambda p: p.cold.refused),
)
AIR = {
    "pack": "Air measured by the pack",
    "witness": "Air measured by a witness",
    "sensor": "No sensor in the air: coldest sensor instead",
}


def cold_section(scope: Scope, longer: tuple[Cold, ...]) -> Section:
    """The window's cold, and what the heater would need on the coldest day to plan for.

    Parameters
    ----------
    scope : Scope
    longer : tuple of Cold
        Of each pack over a longer time that ends with the window: heater power and model need it.
    """
    pairs = zip(scope.health.packs, longer, strict=True)
    blocks: list[Block] = [*together(_words(p.name, p.cold, c, scope.units) for p, c in pairs)]
    blocks.append(gallery(scope, lambda i, h: cold_figure(scope, i, h, longer[i])))
    freezing = temperature_text(0.0, scope.units)
    blocks.append(numbers(scope, [(key, label.format(freezing), pick) for key, label, pick in _WEEK]))
    if any(c.model is not None for c in longer):
        blocks.append(gallery(scope, lambda i, h: _against_air(scope, i, h, longer[i])))
    blocks.append(_ahead(scope, longer))
    return Section("cold", "Cold", tuple(blocks))


def _words(name: str, week: Cold, longer: Cold, units: Units) -> Statement:
    label = f"Pack {name}"
    lows = [d.cell_min_c for d in week.days if math.isfinite(d.cell_min_c)]
    if not lows:
        return Statement("No cell temperature was recorded.", "unknown", label)
    parts = [f"The coldest cell sensor read {temperature_text(min(lows), units, 1)} at the lowest."]
    if week.on_time.value is not None and week.on_time.value > 0:
        parts.append(f"The heater was on for {value_text(week.on_time)} a day.")
    pushed, refused = week.pushed.value or 0.0, week.refused.value or 0.0
    if pushed > 0:
        parts.append(f"{value_text(week.pushed)} were put in at or below the charging floor.")
    if refused > 0:
        parts.append(f"The pack refused charge for the cold during {value_text(week.refused)}.")
    if longer.design_day.value is not None:
        parts.append(f"A day as cold as the one to plan for would take {say(longer.design_day)} of heating.")
    return Statement(" ".join(parts), "watch" if pushed > 0 else "plain", label)


def _points(cold: Cold, history: History) -> list[ColdDay]:
    hottest = {d.day: d.usage.temp_max_c for d in history.digests}
    return [
        ColdDay(
            p.day,
            _known(p.cell_min_c),
            _known(hottest.get(p.day, math.nan)),
            _known(p.ambient_c),
            _known(p.heater_h),
            None if not math.isfinite(p.heater_wh) else p.heater_wh / 1000,
        )
        for p in cold.days
    ]


GROUP_FROM = 120
"""A longer window is drawn by weeks. [days]"""


def _grouped(days: list[ColdDay]) -> list[ColdDay]:
    """Weeks: their extremes of the cells, and means of air and heater hours."""
    groups = [days[i : i + 7] for i in range(0, len(days), 7)]
    return [
        ColdDay(
            g[0].day,
            min((d.coldest_c for d in g if d.coldest_c is not None), default=None),
            max((d.warmest_c for d in g if d.warmest_c is not None), default=None),
            _mean([d.ambient_c for d in g if d.ambient_c is not None]),
            _mean([d.heater_h for d in g if d.heater_h is not None]),
        )
        for g in groups
    ]


def _mean(values: list[float]) -> float | None:
    return sum(values) / len(values) if values else None


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None


def cold_figure(scope: Scope, index: int, history: History, longer: Cold) -> Figure:
    """Temperatures and heater hours of the window's days."""
    days = [d for d in _points(longer, history) if scope.first <= d.day <= scope.last]
    long = len(days) > GROUP_FROM
    days = _grouped(days) if long else days
    key = f"cold-{index}"
    name = history.facts.name
    lows = [d.coldest_c for d in days if d.coldest_c is not None]
    lowest = f" The lowest was {temperature_text(min(lows), scope.units, 1)}." if lows else ""
    hours = sum(d.heater_h for d in longer.days if scope.first <= d.day <= scope.last)
    return Figure(
        key,
        cold_days(key, days, pack=scope.look(index), fahrenheit=scope.units.temperature == "°F"),
        f"Pack {name}: cells, air and heater",
        f"Coldest and warmest cell of pack {name} each day with the air, and hours of heating.{lowest} "
        f"The heater was on for {hours:.1f} hours in all.",
        scope.window,
        AIR.get(longer.ambient_source, "No air temperature") + (", weeks" if long else ""),
    )


def _against_air(scope: Scope, index: int, history: History, cold: Cold) -> Figure:
    key = f"heater-{index}"
    name = history.facts.name
    model = cold.model
    line = None
    if model is not None:
        line = HeaterLine(model.base / 1000, model.slope / 1000, model.balance_c)
    days = _points(cold, history)
    design = history.facts.design_cold_c
    at = temperature_text(design, scope.units)
    return Figure(
        key,
        heater_against_air(
            key,
            days,
            line,
            pack=scope.look(index),
            design_c=design if line else None,
            fahrenheit=scope.units.temperature == "°F",
        ),
        f"Pack {name}: the colder the air, the more heating",
        f"Heater energy of pack {name} against the air; at {at} the line says {say(cold.design_day)}.",
        span_text(days[0].day, days[-1].day) if days else "",
        "One mark a day; the line is fitted" if line else "",
    )


def _ahead(scope: Scope, longer: tuple[Cold, ...]) -> Numbers:
    design = {h.facts.design_cold_c for h in scope.bank.packs}
    at = f" ({temperature_text(design.pop(), scope.units)})" if len(design) == 1 else ""
    return Numbers(
        scope.names,
        (
            Row("heater_watts", "Power of the heater", tuple(c.watts.power for c in longer)),
            Row(
                "design_day",
                f"Heating on the coldest day to plan for{at}",
                tuple(c.design_day for c in longer),
            ),
            Row(
                "time_constant",
                "Time in which 63\u202f% of the warmth is lost",
                tuple(c.time_constant for c in longer),
            ),
        ),
        "What the heater needs",
    )
