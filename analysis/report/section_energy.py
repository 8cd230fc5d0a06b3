"""Energy in and out, where the rest went, and the efficiency."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

from analysis.estimate import Estimate, unknown
from analysis.health import PackHealth
from analysis.history import History
from analysis.packs.efficiency import Efficiency
from analysis.report.dates import humane, span_text
from analysis.report.figures_energy import (
    EnergyDay,
    Part,
    Span,
    daily_energy,
    efficiency_windows,
    energy_top,
    loss_parts,
)
from analysis.report.numbers import interval_text, is_silent, say, value_text
from analysis.report.scope import Scope, gallery, numbers, together
from analysis.report.section_changes import difference
from analysis.report.value import Block, Figure, Section, Statement

PARTS = (
    ("ohmic", "Warmth in cells and joints"),
    ("heater", "Heater"),
    ("charge", "Charge that did not come back"),
    ("unexplained", "Not explained"),
)


def energy_section(scope: Scope) -> Section:
    """Energy of the window in words, numbers and one figure a pack for each question."""
    top = energy_top([d for h in scope.bank.packs for d in _days(scope, h)])
    blocks: list[Block] = [
        *together(_words(p) for p in scope.health.packs),
        numbers(scope, _FLOW),
        gallery(scope, lambda i, h: _daily(scope, i, h, top)),
    ]
    stock = stock_words(scope)
    if stock:
        blocks.insert(len(scope.health.packs), Statement(stock))
    return Section("energy", "Energy", tuple(blocks))


def efficiency_section(scope: Scope, longer: tuple[Efficiency, ...]) -> Section:
    """How much came out again, and where the rest went.

    Parameters
    ----------
    scope : Scope
    longer : tuple of Efficiency
        Of each pack over a longer time that ends with the window, for the figure of single windows.
    """
    blocks: list[Block] = [numbers(scope, _RATIO)]
    packs = scope.health.packs
    blocks += together(
        Statement(humane(p.efficiency.note), "note", f"Pack {p.name}") for p in packs if p.efficiency.note
    )
    parts = replace(numbers(scope, _LOSS, "The loss, part by part"), said=True)
    if is_silent(parts):
        blocks += together(
            Statement(
                f"Where the rest went cannot be told: {humane(p.efficiency.losses.total.reason)}.",
                "unknown",
                f"Pack {p.name}",
            )
            for p in packs
        )
    else:
        blocks.append(gallery(scope, lambda i, h: _losses(scope, i, h)))
    blocks.append(gallery(scope, lambda i, h: _windows(scope, i, h, longer[i])))
    blocks.append(parts)
    return Section("efficiency", "Efficiency", tuple(blocks))


LEAST_WH = 50.0
"""Less than this is nothing, in words. [Wh]"""
STOCK = 0.03
"""A change of what the bank holds from which it is told, as a part of the rated capacity. [1]"""


def stock_words(scope: Scope) -> str:
    """Why what came out and what went in differ by more than the loss; empty where they do not."""
    flows = [(p.throughput.ah_in, p.throughput.ah_out) for p in scope.health.packs]
    left = [difference(a, b) for a, b in flows if a.value is not None]
    if len(left) != len(flows) or not left:
        return ""
    net = sum(e.value or 0.0 for e in left)
    unsure = sum((e.high or 0.0) - (e.low or 0.0) for e in left) / 2
    if abs(net) < max(STOCK * sum(h.facts.rated_ah for h in scope.bank.packs), unsure):
        return ""
    ends = ("end", "start") if net > 0 else ("start", "end")
    words = f"The bank was fuller at the {ends[0]} than at the {ends[1]} of these days"
    told = any(p.efficiency.round_trip.value is not None for p in scope.health.packs)
    return f"{words}; the efficiency allows for that." if told else f"{words}."


def cycles(e: Estimate) -> Estimate:
    """A count of full cycles under its own unit."""
    return replace(e, unit="cycles")


_FLOW: tuple[tuple[str, str, Callable[[PackHealth], Estimate]], ...] = (
    ("in", "Energy put in", lambda p: p.throughput.wh_in),
    ("out", "Energy taken out", lambda p: p.throughput.wh_out),
    ("charge_in", "Charge put in", lambda p: p.throughput.ah_in),
    ("charge_out", "Charge taken out", lambda p: p.throughput.ah_out),
    ("cycles", "Full cycles", lambda p: cycles(p.throughput.efc_ah)),
    ("deepest", "Deepest discharge and charge, of the rated capacity", lambda p: p.throughput.deepest),
    ("top_share", "Share of the time near full", lambda p: p.throughput.top_share),
)
_RATIO: tuple[tuple[str, str, Callable[[PackHealth], Estimate]], ...] = (
    ("round_trip", "Round-trip efficiency", lambda p: p.efficiency.round_trip),
    ("voltage", "Efficiency as far as the voltages go", lambda p: p.efficiency.voltage),
    ("zero", "Zero error of the current sensor that was taken out", lambda p: p.efficiency.offset_a),
)
_LOSS: tuple[tuple[str, str, Callable[[PackHealth], Estimate]], ...] = (
    ("loss_total", "All that did not come back", lambda p: p.efficiency.losses.total),
    ("loss_ohmic", "Warmth in cells and joints (I²R)", lambda p: p.efficiency.losses.ohmic),
    ("loss_heater", "Heater", lambda p: p.efficiency.losses.heater),
    ("loss_charge", "Charge that did not come back", lambda p: p.efficiency.losses.charge),
    ("loss_unexplained", "Not explained", lambda p: p.efficiency.losses.unexplained),
)


def _words(health: PackHealth) -> Statement:
    t = health.throughput
    if t.wh_in.value is None:
        return Statement(
            f"{t.wh_in.reason[:1].upper()}{t.wh_in.reason[1:]}.", "unknown", f"Pack {health.name}"
        )
    if t.wh_in.value + (t.wh_out.value or 0.0) < LEAST_WH:
        return Statement("Nothing flowed.", "plain", f"Pack {health.name}")
    text = (
        f"{value_text(t.wh_in)} went in and {value_text(t.wh_out)} came out, "
        f"{value_text(replace(t.efc_ah, unit='full cycles'))} in all; "
        f"the deepest swing was {value_text(t.deepest)} of the rated capacity."
    )
    return Statement(text, "plain", f"Pack {health.name}")


def _days(scope: Scope, history: History) -> list[EnergyDay]:
    return [
        EnergyDay(d.day, d.flow.total.wh_in / 1000, d.flow.total.wh_out / 1000, d.coverage.fraction)
        for d in scope.days(history).digests
        if d.coverage.covered_s > 0 and math.isfinite(d.flow.total.wh_in + d.flow.total.wh_out)
    ]


GROUP_FROM = 35
"""A longer window is drawn as means of weeks. [days]"""


def _grouped(days: list[EnergyDay]) -> list[EnergyDay]:
    """Means of seven days each, named by the first of them."""
    groups = [days[i : i + 7] for i in range(0, len(days), 7)]
    return [
        EnergyDay(
            g[0].day,
            sum(d.in_kwh for d in g) / len(g),
            sum(d.out_kwh for d in g) / len(g),
            sum(d.covered for d in g) / len(g),
        )
        for g in groups
    ]


def _daily(scope: Scope, index: int, history: History, top: float) -> Figure:
    days = _days(scope, history)
    key = f"energy-{index}"
    name = history.facts.name
    best = max(days, key=lambda d: d.out_kwh, default=None)
    most = f" Most came out on {span_text(best.day, best.day)}: {best.out_kwh:.1f} kWh." if best else ""
    long = len(days) > GROUP_FROM
    star = "; * = less than 95\u202f% of the day recorded" if any(d.covered < 0.95 for d in days) else ""
    return Figure(
        key,
        daily_energy(
            key, _grouped(days) if long else days, pack=scope.look(index), top=top, calendar=scope.calendar()
        ),
        f"Pack {name}: energy each day",
        f"Energy in and out of pack {name} for each day.{most}",
        scope.window,
        f"Voltage times current, summed{', means of weeks' if long else ''}{star}",
    )


def _losses(scope: Scope, index: int, history: History) -> Figure:
    losses = scope.health.packs[index].efficiency.losses
    parts = []
    for field, label in PARTS:
        e: Estimate = getattr(losses, field)
        parts.append(Part(label, _kwh(e.value), _kwh(e.low), _kwh(e.high)))
    key = f"losses-{index}"
    name = history.facts.name
    told = "; ".join(
        f"{label.lower()} {say(getattr(losses, f))}"
        for f, label in PARTS
        if getattr(losses, f).value is not None
    )
    total = losses.total
    title = (
        f"Pack {name}: where {value_text(total)} went"
        if total.value is not None
        else f"Pack {name}: where the rest went"
    )
    return Figure(
        key,
        loss_parts(key, parts, pack=scope.look(index)),
        title,
        f"Where the energy of pack {name} went that did not come back: {told or total.reason}.",
        scope.window,
        "Thin lines: 95\u202f% intervals" if told else "",
    )


def _kwh(wh: float | None) -> float | None:
    return None if wh is None else wh / 1000


def _windows(scope: Scope, index: int, history: History, longer: Efficiency) -> Figure:
    spans = [
        Span(w.first, w.last, 100 * w.efficiency, _percent(w.low), _percent(w.high))
        for w in longer.windows
        if w.efficiency is not None
    ]
    key = f"round-trip-{index}"
    name = history.facts.name
    days = span_text(spans[0].first, spans[-1].last) if spans else "No window yet"
    pooled: Estimate = longer.round_trip if spans else unknown("1", "no window yet")
    return Figure(
        key,
        efficiency_windows(key, spans, pack=scope.look(index)),
        f"Pack {name}: efficiency from full to full",
        f"Efficiency of pack {name} in {len(spans)} windows from full to full: {interval_text(pooled)}.",
        days,
        f"{len(spans)} windows between full charges; all share one sensor zero" if spans else "",
    )


def _percent(fraction: float | None) -> float | None:
    return None if fraction is None else 100 * fraction
