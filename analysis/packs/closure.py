"""Windows of a history that close, and the zero error of the current sensor that their closing reveals.

A zero error b of the current sensor adds b × time to the charge and b × V × time to the energy of every
window, in the opposite sense to charge and discharge. It is one unknown, shared by all windows, and it is
carried as one: estimated with its uncertainty, shown, and never hidden in a correction.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from analysis.daily.anchors import Anchor
from analysis.digest import DayDigest
from analysis.facts import PackFacts
from analysis.history import History, PlacedAnchor, Span, span
from analysis.once import once

LOSS_MEAN, LOSS_U = 0.001, 0.002
"""Charge a healthy cell does not give back, of what went in, and its standard uncertainty.
Coulombic efficiency above 0.995 is sure for the chemistry, 0.999 usual: from memory."""
DRAIN_MEAN_A, DRAIN_U_A = 0.02, 0.015
"""What a pack's own electronics take past its current sensor, and its standard uncertainty: 1 W at 52 V, half
a watt to two. [A] Common practice, no source."""
OFFSET_U_A = 0.15
"""Standard uncertainty of an unknown zero: ±0.25 A, rectangular. [A] Common practice, no source."""
CLOSURE_U = {"taper": 0.002, "low taper": 0.006, "limit": 0.005, "high cell": 0.015}
"""How well two anchors of one quality agree in charge, standard, fraction of the rated capacity."""
HEATER_W, UNKNOWN_HEATING_H, CELL_V = 150.0, 8.0, 3.25
"""Power of a heater nobody stated, for 280 Ah [W]; time on in a cold day of which nothing is known [h];
voltage of a cell while it heats [V]. Common practice, no source."""
LOW_TAPER_SLOPE, LIMIT_SLOPE, LIMIT_LOAD = 0.5, 0.15, 0.04
"""Charge by which ends that are a volt apart differ, just beyond the plateau and at the top; and ends at
currents of 1 C apart. Fraction of capacity. [1/V], [1/V], [1/C] Common practice, no source."""
WARM_C, COOL_C = 6.0, 2.5
"""In a day whose coldest sensor stays above the first no heater ran; above the second none did if the
heating that the digest looks for was not seen either. [°C] Heaters start near 0 °C: trade practice."""
LEAST_EFC, LEAST_HOURS = 0.3, 20.0
"""A window has to move at least this charge, fraction of the rated capacity, and last this long. [h]"""
HIDDEN = 0.1
"""Charge that may have flown unseen in gaps, of what went in, for a window to be used at all; it is part of
its uncertainty."""
SHARE_MEAN, SHARE_PAST, SHARE_U, HEATING_U = 0.5, 0.8, 0.45, 0.3
"""Expected share of `heater_ah` that heaters took from the cells past the sensor: unless the user said that
their current passes by it, and if so; its standard uncertainty; and what each window's own heating differs
by. Common practice, no source."""
PRIOR_U_A = 0.2
"""Standard uncertainty of the zero before anything is known, with what a dead band may swallow of a small
standing load. [A] Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Window:
    """From one full anchor to a later one of the same kind.

    Attributes
    ----------
    first, last : str
        Local dates of the two anchors.
    span : Span
        What flowed.
    closure_u_ah : float
        Standard uncertainty of the charge by which its ends differ. [Ah]
    hidden_ah : float
        Charge that may have flown in its gaps. [Ah]
    heater_ah : float
        Charge that heaters used; past the sensor or not. [Ah]
    hours_in, hours_out : float
        Covered hours with the meter above and below zero. [h]
    start_s, end_s : float
        Instants of the two anchors. [s]
    warm : bool
        Whether no heater can have run.
    heater_more_ah : float
        What they used beyond `heater_ah` if one that lost its warmth went on drawing as before. [Ah]
    vh_in, vh_out : float
        ∫ V dt with the meter above and below zero; 0 if unknown. [V h]
    efficiency, low, high : float or None
        Energy out over energy in, zero error taken out. [1]
    """

    first: str
    last: str
    span: Span
    closure_u_ah: float
    hidden_ah: float
    heater_ah: float
    hours_in: float
    hours_out: float
    start_s: float
    end_s: float
    warm: bool
    vh_in: float = 0.0
    vh_out: float = 0.0
    efficiency: float | None = None
    low: float | None = None
    high: float | None = None
    heater_more_ah: float = 0.0


@dataclass(frozen=True, slots=True)
class Zero:
    """A zero error of the current sensor with its standard uncertainty, and where it is from. [A]"""

    offset_a: float
    u_a: float
    basis: str


@once
def windows(history: History) -> tuple[Window, ...]:
    """Find the windows of a history that close, between full anchors of the kind that tells most.

    Windows with gaps in which more than `HIDDEN` of the charge may have flown are left out.
    """
    best: tuple[Window, ...] = ()
    most = 0.0
    fulls = history.anchors("full")
    for quality, closure_u in CLOSURE_U.items():
        anchors = [a for a in fulls if a.anchor.quality == quality]
        made = tuple(_windows_between(history, anchors, closure_u))
        told = sum(w.span.ah_in**2 / (w.closure_u_ah**2 + w.hidden_ah**2) for w in made)
        if told > most:
            best, most = made, told
    return best


def _windows_between(history: History, anchors: list[PlacedAnchor], closure_u: float) -> list[Window]:
    rated = history.facts.rated_ah
    found: list[Window] = []
    start: PlacedAnchor | None = None
    for anchor in anchors:
        if start is None:
            start = anchor
            continue
        moved = span(start.mark, anchor.mark)
        if moved.elapsed_s < LEAST_HOURS * 3600 or moved.ah_out < LEAST_EFC * rated:
            continue
        u_ah = rated * math.sqrt(2) * math.hypot(closure_u, _unequal(start.anchor, anchor.anchor, rated))
        made = _window(history, start, anchor, moved, u_ah)
        metered = all(
            math.isfinite(d.flow.total.wh_in) for d in history.digests[start.index : anchor.index + 1]
        )
        if metered and made.hidden_ah <= HIDDEN * moved.ah_in:
            found.append(made)
        start = anchor
    return found


def _unequal(a: Anchor, b: Anchor, rated_ah: float) -> float:
    """What two charges that ended unequally differ by, fraction of the rated capacity."""
    volts = abs(a.level_v - b.level_v)
    if a.quality == "low taper":
        return LOW_TAPER_SLOPE * volts
    if a.quality == "limit":
        return LIMIT_SLOPE * volts + LIMIT_LOAD * abs(a.current_a - b.current_a) / rated_ah
    return 0.0


def _hidden_ah(a: PlacedAnchor, b: PlacedAnchor, moved: Span, days: Sequence[DayDigest]) -> float:
    """Charge that may have flown in a window's gaps: at its mean current, or that beside the gaps. [Ah]"""
    mean = moved.uncovered_s * (moved.ah_in + moved.ah_out) / max(moved.covered_s, 1.0)
    beside = 0.0
    for day in days:
        if day.flow.gap_ah > 0:
            within = sum(
                max(min(end, b.mark.time_s) - max(start, a.mark.time_s), 0.0)
                for start, end in day.coverage.gaps
            )
            total = sum(end - start for start, end in day.coverage.gaps)
            beside += day.flow.gap_ah * within / max(total, 1.0)
    return max(mean, beside)


def _window(history: History, a: PlacedAnchor, b: PlacedAnchor, moved: Span, u_ah: float) -> Window:
    days = history.digests[a.index : b.index + 1]
    share = moved.covered_s / max(sum(d.flow.total.covered_s for d in days), 1.0)
    return Window(
        first=a.day,
        last=b.day,
        span=moved,
        closure_u_ah=u_ah,
        hidden_ah=_hidden_ah(a, b, moved, days),
        heater_ah=share * sum(heater_ah(d, history.facts) for d in days),
        hours_in=share * sum(d.flow.positive_s for d in days) / 3600,
        hours_out=share * sum(d.flow.negative_s for d in days) / 3600,
        start_s=a.mark.time_s,
        end_s=b.mark.time_s,
        warm=all(unheated(d) for d in days),
        vh_in=share * sum(d.flow.positive_vh for d in days),
        vh_out=share * sum(d.flow.negative_vh for d in days),
    )


def unheated(digest: DayDigest) -> bool:
    """Whether no heater can have run on a day: never cold, or a heater that tells of itself stayed off."""
    coldest = digest.usage.temp_min_c
    told = digest.heater.method in {"flag", "watts"} or coldest > COOL_C
    return coldest > WARM_C or (told and digest.heater.on_s == 0)


def heater_ah(digest: DayDigest, facts: PackFacts) -> float:
    """Charge that heaters used on a day, from the cells or not, as well as it is known. [Ah]

    Their time on at the power the user stated, or 150 W for 280 Ah; where nothing is known of the time, four
    hours. None where their current is measured.
    """
    heater = digest.heater
    inferred = {"none": 0.5 * UNKNOWN_HEATING_H * 3600, "flag": heater.on_s, "watts": heater.on_s}
    return _heater_ah(digest, facts, inferred.get(heater.method, heater.on_s + 0.3 * 3600) / 3600)


def _heater_ah(digest: DayDigest, facts: PackFacts, hours: float) -> float:
    if facts.heater_measured == "inside" or unheated(digest):
        return 0.0
    if math.isfinite(digest.heater.energy_wh):
        return digest.heater.energy_wh / (CELL_V * max(facts.n_cells, 1))
    watts = facts.heater_w or HEATER_W * facts.rated_ah / 280.0
    return hours * watts / (CELL_V * max(facts.n_cells, 1))


def combined_zero(*known: Zero | None) -> Zero:
    """Combine what is known of the zero with what any such sensor may have, weighted by variance."""
    parts = [z for z in known if z is not None and z.u_a > 0]
    weights = [1 / OFFSET_U_A**2, *(1 / z.u_a**2 for z in parts)]
    offset = sum(w * z.offset_a for w, z in zip(weights[1:], parts, strict=True)) / sum(weights)
    basis = "; ".join(z.basis for z in parts) or "not measured: limits of ±0.25 A"
    return Zero(offset, 1 / math.sqrt(sum(weights)), basis)


def pooled(found: Sequence[Window]) -> Window:
    """Add windows up, one or more."""
    spans = [w.span for w in found]
    total = Span(*(sum(getattr(s, name) for s in spans) for name in Span.__dataclass_fields__))
    return replace(
        found[0],
        last=found[-1].last,
        span=total,
        closure_u_ah=_ends(found),
        hidden_ah=math.sqrt(sum(w.hidden_ah**2 for w in found)),
        heater_ah=sum(w.heater_ah for w in found),
        hours_in=sum(w.hours_in for w in found),
        hours_out=sum(w.hours_out for w in found),
        end_s=found[-1].end_s,
        warm=all(w.warm for w in found),
        vh_in=sum(w.vh_in for w in found),
        vh_out=sum(w.vh_out for w in found),
        heater_more_ah=sum(w.heater_more_ah for w in found),
    )


def _ends(found: Sequence[Window]) -> float:
    """Standard uncertainty of the closure of windows in a row: where they touch, their ends cancel. [Ah]"""
    total = 0.0
    for i, window in enumerate(found):
        if i == 0 or found[i - 1].end_s != window.start_s:
            total += window.closure_u_ah**2
    return math.sqrt(total)
