"""Windows of a history that close, and the zero error of the current sensor that their closing reveals.

A zero error b of the current sensor adds b × time to the charge and b × V × time to the energy of every
window, in the opposite sense to charge and discharge. It is one unknown, shared by all windows, and it is
carried as one: estimated with its uncertainty, shown, and never hidden in a correction.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from analysis.anchors import Anchor
from analysis.digest import DayDigest
from analysis.facts import PackFacts
from analysis.history import History, PlacedAnchor, Span, span

LOSS_MEAN, LOSS_U = 0.002, 0.002
"""Charge a healthy cell does not give back, of what went in, and its standard uncertainty.
Coulombic efficiency above 0.995 is usual for the chemistry: from memory."""
DRAIN_MEAN_A, DRAIN_U_A = 0.01, 0.015
"""What a pack's own electronics take past its current sensor, and its standard uncertainty. [A]
Common practice, no source."""
OFFSET_U_A = 0.15
"""Standard uncertainty of an unknown zero: ±0.25 A, rectangular. [A] Common practice, no source."""
CLOSURE_U = {"taper": 0.003, "low taper": 0.006, "limit": 0.012, "high cell": 0.015}
"""How well two anchors of one quality agree in charge, standard, fraction of the rated capacity."""
HEATER_W, UNKNOWN_HEATING_H, CELL_V = 150.0, 8.0, 3.25
"""Power of a heater nobody stated, for 280 Ah [W]; time on in a cold day of which nothing is known [h];
voltage of a cell while it heats [V]. Common practice, no source."""
VOLTAGE_U = 0.0005
"""Standard uncertainty of a ratio of two mean voltages of one meter. [1] Common practice, no source."""
LOW_TAPER_SLOPE = 0.5
"""Charge by which a volt of unequal ends beyond the plateau differs, fraction of capacity. [1/V]
Common practice, no source."""
WARM_C, COOL_C = 6.0, 2.5
"""In a day whose coldest sensor stays above the first no heater ran; above the second none did if the
heating that the digest looks for was not seen either. [°C] Heaters start near 0 °C: trade practice."""
LEAST_EFC, LEAST_HOURS = 0.3, 20.0
"""A window has to move at least this charge, fraction of the rated capacity, and last this long. [h]"""
HIDDEN, HIDDEN_ZERO = 0.1, 0.005
"""Charge that may have flown unseen in gaps, of what went in: for a window to be used, with that charge in
its uncertainty, and for it to tell the zero error."""


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
        Charge that heaters took past the sensor at most. [Ah]
    hours_in, hours_out : float
        Covered hours with the meter above and below zero. [h]
    start_s, end_s : float
        Instants of the two anchors. [s]
    warm : bool
        Whether no heater can have run.
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
    efficiency: float | None = None
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True)
class Zero:
    """A zero error of the current sensor with its standard uncertainty, and where it is from. [A]"""

    offset_a: float
    u_a: float
    basis: str


@lru_cache(maxsize=8)
def windows(history: History) -> tuple[Window, ...]:
    """Find the windows of a history that close: between full anchors of the kind it has most charge between.

    Windows with gaps in which more than `HIDDEN` of the charge may have flown are left out.
    """
    best: tuple[Window, ...] = ()
    fulls = history.anchors("full")
    for quality, closure_u in CLOSURE_U.items():
        anchors = [a for a in fulls if a.anchor.quality == quality]
        made = tuple(_windows_between(history, anchors, closure_u))
        if sum(w.span.ah_in for w in made) > 1.25 * sum(w.span.ah_in for w in best):
            best = made
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
        u_ah = rated * math.sqrt(2) * math.hypot(closure_u, _unequal(start.anchor, anchor.anchor))
        made = _window(history, start, anchor, moved, u_ah)
        if made.hidden_ah <= HIDDEN * moved.ah_in:
            found.append(made)
        start = anchor
    return found


def _unequal(a: Anchor, b: Anchor) -> float:
    """What two low tapers at unequal voltages differ by, fraction of the rated capacity."""
    return LOW_TAPER_SLOPE * abs(a.level_v - b.level_v) if a.quality == "low taper" else 0.0


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
    )


def unheated(digest: DayDigest) -> bool:
    """Whether no heater can have run on a day: never cold, or a heater that tells of itself stayed off."""
    coldest = digest.usage.temp_min_c
    told = digest.heater.method in {"flag", "watts"} or coldest > COOL_C
    return coldest > WARM_C or (told and digest.heater.on_s == 0)


def heater_ah(digest: DayDigest, facts: PackFacts) -> float:
    """Charge that heaters can have taken past the sensor on a day at most. [Ah]

    Their time on at the power the user stated, or 150 W for 280 Ah; where heating was only inferred, half as
    long again and an hour; where nothing is known of it, eight hours. None where their current is measured.
    """
    if facts.heater_measured == "inside" or unheated(digest):
        return 0.0
    heater = digest.heater
    if math.isfinite(heater.energy_wh):
        return heater.energy_wh / (CELL_V * facts.n_cells)
    hours = heater.on_s / 3600
    if heater.method == "none":
        hours = UNKNOWN_HEATING_H
    elif heater.method not in {"flag", "watts"}:
        hours = 1.5 * hours + 1.0
    watts = facts.heater_w or HEATER_W * facts.rated_ah / 280.0
    return hours * watts / (CELL_V * facts.n_cells)


def closure_zero(found: tuple[Window, ...]) -> Zero | None:
    """Estimate the zero error from windows in which no heater ran; None without any.

    What a window gained is the loss of charge in the cells, the drain past the sensor, and b × time.
    """
    warm = [w for w in found if w.warm and w.hidden_ah <= HIDDEN_ZERO * w.span.ah_in]
    hours = sum(w.span.covered_s for w in warm) / 3600
    if hours < LEAST_HOURS:
        return None
    net = sum(w.span.ah for w in warm)
    ah_in = sum(w.span.ah_in for w in warm)
    offset = (net - LOSS_MEAN * ah_in) / hours - DRAIN_MEAN_A
    ends = _ends(warm)
    u = math.hypot(LOSS_U * ah_in / hours, DRAIN_U_A, ends / hours)
    return Zero(offset, u, f"{len(warm)} closed windows, {warm[0].first} to {warm[-1].last}")


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
    )


def _ends(found: Sequence[Window]) -> float:
    """Standard uncertainty of the closure of windows in a row: where they touch, their ends cancel. [Ah]"""
    total = 0.0
    for i, window in enumerate(found):
        if i == 0 or found[i - 1].end_s != window.start_s:
            total += window.closure_u_ah**2
    return math.sqrt(total)


def expected_loss(ah_in: float, hours: float, heaters_ah: float) -> tuple[float, float]:
    """Charge that does not come back of a healthy pack, with its standard uncertainty. [Ah]

    What cells and electronics take, and anything from nothing to all that heaters can have taken.
    """
    mean = LOSS_MEAN * ah_in + DRAIN_MEAN_A * hours + heaters_ah / 2
    return mean, math.hypot(LOSS_U * ah_in, DRAIN_U_A * hours, heaters_ah / math.sqrt(12))


def charge_lost(window: Window, zero: Zero) -> tuple[float, float]:
    """Charge that went in and did not come out of a window, with its standard uncertainty. [Ah]

    Two sources: what a healthy pack is expected to lose, and what the meter missed at the window's end,
    its zero error taken out. Without a heater the surer one is taken, for the zero error itself may come
    from the same expectation; otherwise they are weighted by their variances.
    """
    hours = window.span.covered_s / 3600
    metered = window.span.ah - zero.offset_a * hours
    u_metered = math.hypot(zero.u_a * hours, window.closure_u_ah, window.hidden_ah)
    expected, u_expected = expected_loss(window.span.ah_in, hours, 0.0 if window.warm else window.heater_ah)
    if window.warm:
        return (expected, u_expected) if u_expected <= u_metered else (metered, u_metered)
    a, b = 1 / u_expected**2, 1 / u_metered**2
    return (a * expected + b * metered) / (a + b), 1 / math.sqrt(a + b)


def voltage_ratio(moved: Span) -> float:
    """Mean discharge over mean charge voltage, weighted with charge: no zero error moves it. [1]"""
    return (moved.wh_out / moved.ah_out) / (moved.wh_in / moved.ah_in)


def true_in_ah(window: Window, zero: Zero) -> float:
    """Charge in with the zero error taken out. [Ah]"""
    return max(window.span.ah_in - zero.offset_a * window.hours_in, 1e-9)


def closed_efficiency(
    wh_in: float, wh_out: float, *, stored_wh: float = 0.0, outside_wh: float = 0.0
) -> float:
    """Energy out over energy in, for a time that ends in another state than it began.

    Parameters
    ----------
    wh_in, wh_out : float
        Energy at the terminals. [Wh]
    stored_wh : float
        What the pack holds more at the end than at the start. [Wh]
    outside_wh : float
        What heaters took from elsewhere than the pack, counted as put in. [Wh]

    Returns
    -------
    float
        Efficiency, NaN if nothing went in. [1]

    Examples
    --------
    >>> round(closed_efficiency(15.2, 14.6, stored_wh=0.15), 4)
    0.9704
    """
    put_in = wh_in + outside_wh
    return (wh_out + stored_wh) / put_in if put_in > 0 else float("nan")


def interval(found: Sequence[Window], zero: Zero) -> tuple[float, float, float]:
    """Efficiency over windows with the ends of its 95 % interval. [1]

    The product of the voltage ratio and the share of charge that came back: what a zero error, a dead
    band or a gain do to the meter's sums cancels in the first and is held by the second.

    Parameters
    ----------
    found : sequence of Window
        One or more.
    zero : Zero
        Of the sensor.

    Returns
    -------
    (float, float, float)
        Value, low, high.
    """
    total = pooled(found)
    lost, u_lost = lost_in_all(found, zero)
    put_in = true_in_ah(total, zero)
    ratio = voltage_ratio(total.span)
    value = ratio * (1 - lost / put_in)
    half = 1.96 * ratio * math.hypot(u_lost / put_in, VOLTAGE_U)
    return value, value - half, min(value + half, ratio * (1 + 2 * VOLTAGE_U), 1.0)


def lost_in_all(found: Sequence[Window], zero: Zero) -> tuple[float, float]:
    """Charge lost over windows, those in which heaters may have run judged apart, with uncertainty. [Ah]"""
    groups = ([w for w in found if w.warm], [w for w in found if not w.warm])
    parts = [charge_lost(pooled(group), zero) for group in groups if group]
    return sum(lost for lost, _ in parts), math.hypot(*(u for _, u in parts))


def with_efficiency(window: Window, zero: Zero) -> Window:
    """Fill in the efficiency of a window and its 95 % interval."""
    value, low, high = interval((window,), zero)
    return replace(window, efficiency=value, low=low, high=high)
