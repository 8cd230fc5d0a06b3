"""The guided capacity test as a pure machine: readings in, the next thing to do in plain words out."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from analysis.estimate import Estimate, around
from analysis.facts import PackFacts
from analysis.packs.capacity import FULL_SOC, LOW_SOC, RANDOM_U

Phase = Literal["charge", "settle", "discharge", "done", "rejected"]

SETTLE_S, SETTLE_MOST_S = 3600.0, 6 * 3600.0
"""Rest between full and discharge: at least an hour, at most as long as changes nothing. [s] Practice."""
TAPER_HOLD_S = 120.0
LOW_HOLD_S = 20.0
GAP_S = 300.0
"""Time without a reading after which charge may be missing. [s]"""
FAST_C, SLOW_C = 0.35, 0.03
"""Currents outside which a discharge is not comparable. [C] Practice; the standard test is 0.2 C."""
COOL_C, WARM_C = 15.0, 30.0
"""Temperatures between which capacities are compared. [°C] Practice, no source."""
INTERRUPTED_AH = 0.02
"""Charge put back during the discharge that still counts as one test, of the rated capacity."""
OFFSET_U_A, GAIN_U = 0.1, 0.005


@dataclass(frozen=True, slots=True)
class CapReading:
    """What the machine needs of one reading; NaN where unknown.

    Attributes
    ----------
    time_s : float
        Never decreasing. [s]
    pack_a, pack_v : float
        [A, positive charges], [V]
    median_v, lowest_v : float
        Of the cells. [V]
    temp_c : float
        Mean of the cell sensors. [°C]
    """

    time_s: float
    pack_a: float
    pack_v: float
    median_v: float
    lowest_v: float
    temp_c: float


@dataclass(frozen=True, slots=True)
class CapState:
    """Where a test stands.

    Attributes
    ----------
    phase : {"charge", "settle", "discharge", "done", "rejected"}
    since_s : float
        When the phase began. [s]
    held_s : float
        How long the condition that ends the phase has held. [s]
    last : CapReading or None
    ah, wh : float
        Taken out since full, both ≥ 0 in a discharge. [Ah], [Wh]
    back_ah : float
        Put back in during the discharge. [Ah]
    hours : float
        Time counted over. [h]
    missing_s : float
        Time without a reading during the test. [s]
    temp_sum, temp_n : float
        For the mean temperature of the discharge. [°C s], [s]
    fast_s, slow_s : float
        Time of discharge outside the comparable currents. [s]
    reasons : tuple of str
        Why it was rejected, or what weakens an accepted test.
    """

    phase: Phase = "charge"
    since_s: float = math.nan
    held_s: float = 0.0
    last: CapReading | None = None
    ah: float = 0.0
    wh: float = 0.0
    back_ah: float = 0.0
    hours: float = 0.0
    missing_s: float = 0.0
    temp_sum: float = 0.0
    temp_n: float = 0.0
    fast_s: float = 0.0
    slow_s: float = 0.0
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class CapStep:
    """The machine after one reading: its state, what to do, how far it is, and the result once there is one.

    Attributes
    ----------
    state : CapState
    say : str
        What to do next, in plain words.
    progress : float
        Of the phase, 0–1. [1]
    capacity, energy : Estimate or None
        Once done. [Ah], [Wh]
    """

    state: CapState
    say: str
    progress: float
    capacity: Estimate | None = None
    energy: Estimate | None = None


def _is_full(r: CapReading, facts: PackFacts) -> bool:
    return r.median_v >= facts.full_cell_v - 0.03 and 0 <= r.pack_a <= 0.02 * facts.rated_ah


def _loaded_ohm(facts: PackFacts) -> float:
    """Resistance of a cell under a steady load, to correct the lowest voltage. [Ω] Practice, no source."""
    return 0.5e-3 * 280.0 / facts.rated_ah


def _is_low(r: CapReading, facts: PackFacts) -> bool:
    corrected = r.lowest_v - min(r.pack_a, 0.0) * _loaded_ohm(facts)
    near_trip = r.lowest_v <= facts.cell_low_trip_v + 0.05
    return (corrected <= 2.80 or near_trip) and r.pack_a < 0


def _charge(state: CapState, r: CapReading, dt: float, facts: PackFacts) -> CapState:
    held = state.held_s + dt if _is_full(r, facts) else 0.0
    if held >= TAPER_HOLD_S:
        return replace(state, phase="settle", since_s=r.time_s, held_s=0.0)
    return replace(state, held_s=held)


def _settle(state: CapState, r: CapReading, facts: PackFacts) -> CapState:
    waited = r.time_s - state.since_s
    if r.pack_a < -SLOW_C * facts.rated_ah and waited >= SETTLE_S:
        return replace(state, phase="discharge", since_s=r.time_s, held_s=0.0)
    if waited > SETTLE_MOST_S:
        return CapState(since_s=r.time_s, last=r)
    return state


def _discharge(state: CapState, r: CapReading, dt: float, facts: PackFacts) -> CapState:
    rated = facts.rated_ah
    fast = dt if r.pack_a < -FAST_C * rated else 0.0
    slow = dt if r.pack_a > -SLOW_C * rated else 0.0
    warmth = (r.temp_c * dt, dt) if math.isfinite(r.temp_c) else (0.0, 0.0)
    state = replace(
        state,
        fast_s=state.fast_s + fast,
        slow_s=state.slow_s + slow,
        temp_sum=state.temp_sum + warmth[0],
        temp_n=state.temp_n + warmth[1],
        held_s=state.held_s + dt if _is_low(r, facts) else 0.0,
    )
    if state.back_ah > INTERRUPTED_AH * rated:
        return _reject(
            state, f"{state.back_ah:.1f} Ah were put back in while discharging; keep the charger off"
        )
    if state.held_s >= LOW_HOLD_S:
        return _judge(replace(state, since_s=r.time_s), facts)
    return state


def _reject(state: CapState, reason: str) -> CapState:
    return replace(state, phase="rejected", reasons=(*state.reasons, reason))


def _judge(state: CapState, facts: PackFacts) -> CapState:
    """Accept or reject a finished discharge."""
    seconds = max(state.hours * 3600, 1.0)
    temp = state.temp_sum / state.temp_n if state.temp_n else math.nan
    weak = []
    if state.missing_s > 0.02 * seconds:
        return _reject(
            state, f"{state.missing_s / 60:.0f} min of readings are missing: charge may have gone uncounted"
        )
    if state.fast_s > 0.1 * seconds:
        return _reject(
            state, "the load was above 0.35 C for too long: the lowest cell gives up early at such a rate"
        )
    if not 0.3 * facts.rated_ah < state.ah < 1.5 * facts.rated_ah:
        return _reject(
            state, f"{state.ah:.0f} Ah is not a believable capacity: check the current sensor and the rating"
        )
    if math.isfinite(temp) and not COOL_C <= temp <= WARM_C:
        weak.append(f"the cells were at {temp:.0f} °C: compare only with tests at that temperature")
    if not math.isfinite(temp):
        weak.append("the cells' temperature is not known: a test in the cold gives less")
    if state.slow_s > 0.3 * seconds:
        weak.append("the load was very small or paused for much of the time: the sensor's offset weighs more")
    return replace(state, phase="done", reasons=tuple(weak))


def _counted(state: CapState, r: CapReading) -> tuple[CapState, float]:
    """Count charge and energy since full; returns the state and the interval used. [s]"""
    before = state.last
    state = replace(state, last=r)
    if before is None or state.phase in {"done", "rejected"}:
        return state, 0.0
    dt = r.time_s - before.time_s
    if dt <= 0:
        return state, 0.0
    if state.phase == "charge":
        return state, min(dt, GAP_S)
    if dt > GAP_S or not (math.isfinite(r.pack_a) and math.isfinite(before.pack_a)):
        return replace(state, missing_s=state.missing_s + dt, held_s=0.0), 0.0
    mean = 0.5 * (r.pack_a + before.pack_a)
    watts = 0.5 * (r.pack_a * r.pack_v + before.pack_a * before.pack_v)
    back = max(mean, 0.0) * dt / 3600 if state.phase == "discharge" else 0.0
    state = replace(
        state,
        ah=state.ah - mean * dt / 3600,
        wh=state.wh - (watts if math.isfinite(watts) else 0.0) * dt / 3600,
        back_ah=state.back_ah + back,
        hours=state.hours + dt / 3600,
    )
    return state, dt


def _words(state: CapState, r: CapReading, facts: PackFacts) -> tuple[str, float]:
    """What to say, and progress of the phase."""
    if state.phase == "charge":
        return _charge_words(state, r, facts)
    if state.phase == "settle":
        waited = r.time_s - state.since_s
        left = max(SETTLE_S - waited, 0.0) / 60
        if left > 0:
            say = f"Full. Switch the charger off and let the pack rest for {left:.0f} min."
            return say, waited / SETTLE_S
        load = 0.2 * facts.rated_ah
        return f"Now put a steady load on, best about {load:.0f} A, and keep every charger off.", 1.0
    if state.phase == "discharge":
        return _discharge_words(state, r, facts)
    if state.phase == "done":
        more = " Mind: " + "; ".join(state.reasons) + "." if state.reasons else ""
        return f"Done and accepted: {state.ah:.1f} Ah. Charge the pack again soon.{more}", 1.0
    return f"Not accepted: {state.reasons[-1]}. Charge the pack and start again.", 1.0


def _charge_words(state: CapState, r: CapReading, facts: PackFacts) -> tuple[str, float]:
    span = facts.full_cell_v - 3.30
    progress = min(max((r.median_v - 3.30) / span, 0.0), 1.0) if math.isfinite(r.median_v) else 0.0
    if state.held_s > 0:
        return "Full, current tapering: keep the charger on a little longer.", progress
    say = (
        f"Charge the pack until its cells stand at {facts.full_cell_v:.2f} V and the current falls below "
        f"{0.02 * facts.rated_ah:.0f} A. Now {r.median_v:.3f} V and {r.pack_a:.0f} A."
    )
    return say, progress


def _discharge_words(state: CapState, r: CapReading, facts: PackFacts) -> tuple[str, float]:
    left_h = max(facts.rated_ah - state.ah, 0.0) / max(-r.pack_a, 1.0)
    hint = ""
    if -r.pack_a > FAST_C * facts.rated_ah:
        hint = f" The load is high: go below {FAST_C * facts.rated_ah:.0f} A."
    elif -r.pack_a < SLOW_C * facts.rated_ah:
        hint = " The load has stopped: put it back on."
    say = (
        f"{state.ah:.1f} Ah out, lowest cell {r.lowest_v:.3f} V. Go on until the lowest cell is empty; "
        f"about {left_h:.1f} h at this load.{hint} The pack's own protection may end it: that is allowed."
    )
    return say, min(max(state.ah / facts.rated_ah, 0.0), 0.99)


def result(state: CapState) -> tuple[Estimate, Estimate] | None:
    """Return capacity and energy of an accepted test, None otherwise. [Ah], [Wh]

    The interval holds the anchors, a sensor offset of ±0.1 A and a gain of ±0.5 % (standard), as long as
    nothing better is known of the sensor.
    """
    if state.phase != "done":
        return None
    soc_full, u_full = FULL_SOC["taper"]
    soc_low, u_low = LOW_SOC[2.80]
    dsoc = soc_full - soc_low
    relative = math.hypot(u_full, u_low, RANDOM_U) / dsoc
    u = math.hypot(relative, GAIN_U, OFFSET_U_A * state.hours / state.ah)
    temp = state.temp_sum / state.temp_n if state.temp_n else math.nan
    basis = f"one guided discharge of {state.hours:.1f} h"
    if math.isfinite(temp):
        basis += f" at {temp:.0f} °C"
    capacity, energy = state.ah / dsoc, state.wh / dsoc
    return (
        around(capacity, 1.96 * u * capacity, "Ah", basis=basis, n=1),
        around(energy, 1.96 * u * energy, "Wh", basis=basis, n=1),
    )


def advance(state: CapState, r: CapReading, facts: PackFacts) -> CapStep:
    """Take one reading.

    Parameters
    ----------
    state : CapState
        `CapState()` to begin with.
    r : CapReading
        Readings of any spacing; more than five minutes apart counts as missing.
    facts : PackFacts

    Returns
    -------
    CapStep
        Feed its `state` back in with the next reading.

    References
    ----------
    IEC 62620:2014 rests an hour or more and discharges at 0.2 It at 25 °C (from memory); this is not
    that test, and its result is a usable capacity under service conditions.
    """
    if state.last is None:
        state = replace(state, since_s=r.time_s)
    state, dt = _counted(state, r)
    if state.phase == "charge":
        state = _charge(state, r, dt, facts)
    elif state.phase == "settle":
        state = _settle(state, r, facts)
    elif state.phase == "discharge":
        state = _discharge(state, r, dt, facts)
    say, progress = _words(state, r, facts)
    both = result(state)
    return CapStep(state, say, progress, *(both or (None, None)))


def cut_off(state: CapState, facts: PackFacts) -> CapState:
    """Tell the machine that the pack's own protection ended the discharge.

    Returns
    -------
    CapState
        Judged as if the lowest cell were empty, if that is believable: it stood below 3.0 V at the end.
    """
    if state.phase != "discharge" or state.last is None:
        return state
    if state.last.lowest_v < 3.0:
        return _judge(state, facts)
    return _reject(
        state, f"the discharge ended with the lowest cell at {state.last.lowest_v:.2f} V, not empty"
    )
