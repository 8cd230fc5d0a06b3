"""How the packs were used, and that beside the figures the user entered from the papers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date

from analysis.estimate import Estimate, unknown
from analysis.facts import PackFacts
from analysis.health import PackHealth
from analysis.history import History
from analysis.packs.throughput import DepthBin, TimeBin
from analysis.report.dates import humane
from analysis.report.figures_usage import Range, ranges
from analysis.report.numbers import Units, plain, say, temperature_text
from analysis.report.scope import Scope, beside, gallery, together
from analysis.report.value import Block, Figure, Numbers, Row, Section, Statement

ENTERED = (
    "Compared with the figures you entered from your documents. A test by the method in your terms decides."
)
DAYS_A_YEAR = 365.25


def terms_section(scope: Scope) -> Section:
    """Use so far against the figures entered; says so where none were entered."""
    pairs = list(zip(scope.bank.packs, scope.health.packs, strict=True))
    blocks: list[Block] = [Statement(ENTERED)]
    blocks += together(Statement(_words(h.facts, p), "plain", f"Pack {p.name}") for h, p in pairs)
    blocks.append(Numbers(scope.names, beside(*(_rows(h.facts, p, scope.last) for h, p in pairs))))
    return Section("terms", "Against the figures you entered", tuple(blocks))


def _entered(value: float | None, unit: str, key: str) -> Estimate:
    if value is None:
        return unknown(unit, f"not entered ([pack.warranty] {key})")
    return Estimate(value, unit, n=1, reason="as you entered it")


def _age(facts: PackFacts, last: str) -> Estimate:
    start = facts.warranty.start_day or facts.installed
    if start is None:
        return unknown("years", "no start entered ([pack.warranty] start_day)")
    years = (date.fromisoformat(last) - date.fromisoformat(start)).days / DAYS_A_YEAR
    return Estimate(years, "years", years, years, f"{start} to {last}", 1)


def _share_of(limit: float | None, used: Estimate, key: str) -> Estimate:
    """Used part of a promised amount; what was not recorded is not in it."""
    if limit is None:
        return unknown("1", f"not entered ([pack.warranty] {key})")
    if used.value is None:
        return unknown("1", used.reason)
    low = None if used.low is None else used.low / limit
    high = None if used.high is None else used.high / limit
    return Estimate(
        used.value / limit, "1", low, high, f"{used.basis}, of the figure entered", used.n, used.coverage
    )


def _rows(facts: PackFacts, pack: PackHealth, last: str) -> tuple[Row, ...]:
    """The rows of one pack; each with one value."""
    terms, flow = facts.warranty, pack.throughput
    energy = _share_of(terms.throughput_wh, flow.wh_out, "throughput_wh")
    cycles = _share_of(terms.cycles, flow.efc_dis, "cycles")
    end = _entered(terms.capacity_fraction, "1", "capacity_fraction")
    return (
        Row("age", "Time since the start", (_age(facts, last),)),
        Row("years", "Years entered", (_entered(terms.years, "years", "years"),)),
        Row("energy_used", "Energy taken out, of the throughput entered", (energy,), _RECORDED),
        Row("cycles_used", "Full cycles, of the number entered", (cycles,), _RECORDED),
        Row("capacity_now", "Usable capacity, of the rated", (pack.capacity.of_rated,), _IN_USE),
        Row("capacity_entered", "Capacity entered for the end of the term", (end,)),
    )


_RECORDED = "Recorded time only: what flowed before the record began is not in it."
_IN_USE = "In use, not by a laboratory's method."


def _words(facts: PackFacts, pack: PackHealth) -> str:
    promised, now = facts.warranty.capacity_fraction, pack.capacity.of_rated
    if promised is None:
        return "No capacity figure was entered, so there is nothing to compare the capacity with."
    entered = f"the {plain(100 * promised, 0)}\u202f% you entered"
    if now.value is None or now.low is None or now.high is None:
        reason = humane(now.reason) or "it has no interval"
        return f"The capacity cannot be compared with {entered} yet: {reason}."
    if now.low > promised:
        return f"The estimate, {say(now)} of the rated capacity, lies above {entered}."
    if now.high < promised:
        return f"The estimate under the recorded conditions, {say(now)} of the rated, lies below {entered}."
    return f"The estimate, {say(now)} of the rated capacity, cannot be told from {entered}."


def usage_section(scope: Scope) -> Section:
    """Temperatures, currents and depths, beside the limits entered."""
    blocks: list[Block] = [
        gallery(scope, lambda i, h: _temperatures(scope, i, h)),
        gallery(scope, lambda i, h: _currents(scope, i, h)),
        gallery(scope, lambda i, h: _depths(scope, i, h)),
        _numbers(scope),
    ]
    return Section("use", "How the packs were used", tuple(blocks))


def _hours(bins: Sequence[TimeBin], outside: Callable[[TimeBin], bool] = lambda _: False) -> list[Range]:
    return [Range(b.low, b.high, b.seconds / 3600, outside(b)) for b in bins]


def _temperatures(scope: Scope, index: int, history: History) -> Figure:
    floor = history.facts.charge_floor_c
    parts = [
        replace(p, low=_as_shown(p.low, scope.units), high=_as_shown(p.high, scope.units))
        for p in _hours(
            scope.health.packs[index].throughput.temperature, lambda b: b.high is not None and b.high <= floor
        )
    ]
    limit, of = temperature_text(floor, scope.units), f"mean of the cell sensors, {scope.units.temperature}"
    key, name = f"use-temp-{index}", history.facts.name
    below = sum(p.amount for p in parts if p.outside)
    return Figure(
        key,
        ranges(key, parts, pack=scope.look(index), unit="hours", of=of),
        f"Pack {name}: hours at each temperature",
        f"Hours of pack {name} at each temperature; {below:.0f} hours at or below {limit}.",
        scope.window,
        f"Crossed: at or below the charging floor, {limit}",
    )


def _as_shown(celsius: float | None, units: Units) -> float | None:
    return celsius if celsius is None or units.temperature == "°C" else celsius * 1.8 + 32


def _currents(scope: Scope, index: int, history: History) -> Figure:
    parts = _hours(scope.health.packs[index].throughput.c_rate)
    key, name = f"use-current-{index}", history.facts.name
    return Figure(
        key,
        ranges(
            key,
            parts,
            pack=scope.look(index),
            unit="hours",
            of="current, parts of the capacity an hour",
            decimals=2,
        ),
        f"Pack {name}: hours at each current",
        f"Hours of pack {name} at each current, in parts of the capacity an hour; charging is positive.",
        scope.window,
        "Negative: discharging",
    )


def _depths(scope: Scope, index: int, history: History) -> Figure:
    parts = [_depth(b) for b in scope.health.packs[index].throughput.depths if b.low >= 0.05]
    key, name = f"use-depth-{index}", history.facts.name
    return Figure(
        key,
        ranges(key, parts, pack=scope.look(index), unit="cycles", of="depth, % of the rated capacity"),
        f"Pack {name}: cycles of each depth",
        f"Cycles of pack {name} by depth, those below 5 % left out.",
        scope.window,
        "Rainflow count of the net charge; open halves count half; below 5 % left out",
    )


def _depth(b: DepthBin) -> Range:
    return Range(100 * b.low, None if b.high is None else 100 * b.high, b.cycles)


def _numbers(scope: Scope) -> Numbers:
    rows = beside(
        *(_use_rows(scope.days(h), p) for h, p in zip(scope.bank.packs, scope.health.packs, strict=True))
    )
    return Numbers(scope.names, rows)


def _use_rows(history: History, pack: PackHealth) -> tuple[Row, ...]:
    days = history.digests
    return (
        Row(
            "use_in",
            "Largest charging current",
            (_seen(max((d.flow.max_charge_a for d in days), default=0.0)),),
        ),
        Row(
            "use_out",
            "Largest discharging current",
            (_seen(max((d.flow.max_discharge_a for d in days), default=0.0)),),
        ),
        Row("use_pushed", "Charge put in at or below the floor", (pack.cold.pushed,)),
    )


def _seen(amperes: float) -> Estimate:
    half = 0.01 * amperes + 0.25
    return Estimate(
        amperes, "A", max(amperes - half, 0.0), amperes + half, "largest reading; sensor ±1 % and ±0.25 A", 1
    )
