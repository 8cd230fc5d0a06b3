"""What a pack can hold, measured between sure points only."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from analysis.estimate import Estimate
from analysis.health import PackHealth
from analysis.history import History
from analysis.packs.capacity import Capacity
from analysis.report.dates import humane, long_day, span_text
from analysis.report.figures_capacity import CapacityPoint, capacity_points
from analysis.report.figures_curve import open_curve
from analysis.report.numbers import plain, say
from analysis.report.scope import Scope, gallery, numbers, together
from analysis.report.value import Block, Figure, Section, Statement

_ROWS: tuple[tuple[str, str, Callable[[PackHealth], Estimate]], ...] = (
    ("usable", "Usable capacity", lambda p: p.capacity.usable),
    ("of_rated", "Of the rated capacity", lambda p: p.capacity.of_rated),
    ("temperature", "Cell temperature of these measurements", lambda p: p.capacity.temp_c),
)

_FADE_ROWS: tuple[tuple[str, str, Callable[[PackHealth], Estimate]], ...] = (
    ("fade_per_year", "Change in a year, of the rated capacity", lambda p: p.fade.per_year),
    ("fade_change", "Change over the runs measured, of the rated capacity", lambda p: p.fade.change),
    ("fade_warmth", "Gain for each kelvin warmer, taken out of it", lambda p: p.fade.temperature_effect),
    ("fade_calendar", "Loss that age alone would make, by a published model", lambda p: p.fade.calendar),
    ("fade_cycle", "Loss that use alone would make, by the same model", lambda p: p.fade.cycle),
    ("fade_ahead", "Capacity to expect, no further ahead than was looked back", lambda p: p.fade.ahead),
)

_CURVE_ROWS: tuple[tuple[str, str, Callable[[PackHealth], Estimate]], ...] = (
    ("upper_step", "Charge from full to the upper graphite step", lambda p: p.ocv.upper),
    ("upper_step_per_year", "Its change in a year", lambda p: p.ocv.per_year),
    ("upper_step_spread", "Between the cells furthest apart there", lambda p: p.ocv.spread),
    ("plateau_bound", "Best that these voltages could tell of a capacity", lambda p: p.ocv.bound),
)


def capacity_section(scope: Scope) -> Section:
    """Capacity in words, as a figure, and as numbers."""
    pairs = zip(scope.health.packs, scope.bank.packs, strict=True)
    blocks: list[Block] = [*together(_words(p.name, p.capacity, h) for p, h in pairs)]
    if any(p.capacity.pairs for p in scope.health.packs):
        blocks.append(gallery(scope, lambda i, h: capacity_figure(scope, i, h)))
    known = any(p.capacity.usable.value is not None for p in scope.health.packs)
    blocks.append(replace(numbers(scope, _ROWS if known else _ROWS[:1]), said=True))
    if any(p.capacity.pairs for p in scope.health.packs):
        changes = numbers(scope, _FADE_ROWS, "How the capacity changes: the numbers")
        blocks.append(replace(changes, folded=True))
    if any(p.ocv.curves for p in scope.health.packs):
        blocks.append(gallery(scope, lambda i, h: curve_figure(scope, i, h)))
    if any(p.ocv.upper.known or p.ocv.curves for p in scope.health.packs):
        curve = numbers(scope, _CURVE_ROWS, "Voltage without load, from calm hours: the numbers")
        blocks.append(replace(curve, folded=True))
    return Section("capacity", "Capacity", tuple(blocks))


def _words(name: str, found: Capacity, history: History) -> Statement:
    label = f"Pack {name}"
    if found.usable.value is None:
        reason = found.usable.reason
        return Statement(humane(f"{reason[:1].upper()}{reason[1:]}."), "unknown", label)
    rated = f"{plain(history.facts.rated_ah, 0)}\u202fAh"
    if not found.pairs:
        text = (
            f"From full to empty it holds about {say(found.usable)}, of {rated} rated: judged by its voltage "
            "near empty, because it was never used to the end. “bankbook captest” measures it."
        )
        return Statement(text, "plain", label)
    last = found.pairs[-1].day
    text = (
        f"From full to empty it gave {say(found.usable)}, of {rated} rated. "
        f"Last measured on {long_day(last)}, in use and at the temperature of the day, not in a laboratory."
    )
    return Statement(text, "plain", label)


def capacity_figure(scope: Scope, index: int, history: History) -> Figure:
    """Every measurement of the record with the present estimate."""
    found = scope.health.packs[index].capacity
    points = [CapacityPoint(p.day, p.capacity_ah, p.low, p.high) for p in found.pairs]
    key = f"capacity-{index}"
    name = history.facts.name
    usable, facts = found.usable, history.facts
    band = (usable.low, usable.high) if usable.low is not None and usable.high is not None else None
    promised = facts.warranty.capacity_fraction
    first = history.days[0] if history.days else scope.first
    return Figure(
        key,
        capacity_points(
            key,
            points,
            pack=scope.look(index),
            rated_ah=facts.rated_ah,
            band=band,
            floor_ah=None if promised is None else promised * facts.rated_ah,
            span=(min(first, scope.first), scope.last),
        ),
        f"Pack {name}: capacity, measured",
        f"Capacity of pack {name}: {len(points)} measured, now {say(usable)}, rated {facts.rated_ah:g} Ah.",
        span_text(first, scope.last),
        f"{len(points)} runs between a full charge and a low knee; band: present estimate" if points else "",
    )


def curve_figure(scope: Scope, index: int, history: History) -> Figure:
    """Mean voltage without load over the charge below full."""
    found = scope.health.packs[index].ocv
    key = f"open-curve-{index}"
    name = history.facts.name
    lines = tuple((c.direction, c.below_ah, c.volts) for c in found.curves)
    n = sum(c.pieces for c in found.curves)
    where = "" if found.upper.value is None else f", upper graphite step {say(found.upper)} below full"
    first = history.days[0] if history.days else scope.first
    return Figure(
        key,
        open_curve(key, lines, pack=scope.look(index), step=found.upper),
        f"Pack {name}: voltage without load",
        f"Voltage of pack {name}'s middle cell without load over the charge below full{where}.",
        span_text(first, scope.last),
        f"Mean of {n} calm stretches; dotted: the upper graphite step. Shown, not judged" if n else "",
    )
