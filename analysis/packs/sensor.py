"""The current sensor: its zero offset from closures and open contactors, its gain from a witness."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.estimate import Estimate, around, unknown
from analysis.history import History
from analysis.once import once
from analysis.packs.balance import UNTOLD_U_A, balance, halves_apart
from analysis.packs.charge_bound import LEAST_DAYS, bound_zero
from analysis.packs.closure import Window, Zero
from analysis.packs.heater_path import heated_windows, heater_path
from analysis.packs.sensor_gain import NO_STEP, gain_against
from analysis.packs.zero_step import stretches

OPEN_HOURS = 1.0
"""Hours with both directions disabled from which their mean counts. [h]"""
RESTING_A = 0.2
"""A median reading above this at rest below the top is no charging. [A] Practice, no source."""
SURE_U_A = 0.05
"""Closures surer than this need no other witness of the counted charge. [A] Practice, no source."""
DRAWS_A = 0.3
"""A reading with open switches so far below that at rest is a draw behind them. [A] Practice, no source."""
OPEN_U_A = 0.01
"""Standard uncertainty of such a mean: the sensor's own wander. [A] Practice, no source."""
DEAD_BAND_A = 0.15
"""A smallest reading above this, with exact zeros beside it, is a dead band. [A] Practice, no source."""


@dataclass(frozen=True, slots=True)
class CurrentSensor:
    """What is known about a pack's current sensor. Shown, and used; never hidden in a correction.

    Attributes
    ----------
    offset : Estimate
        What it reads at no current, positive as if charging. [A]
    resting : Estimate
        Median reading of long steady rests: offset less the standby load. [A]
    gain : Estimate
        Its reading over the witness's for the same current, 1 if they agree. [1]
    gain_witness : str
        The witness compared with.
    dead_band : Estimate
        Current below which it reads zero. [A]
    zero : Zero or None
        The offset as closures and open contactors give it, for use in other estimates.
    beside : Zero or None
        The same from all but closures, for what weighs the closures itself.
    offset_since, gain_since : str
        Local date of the step from which they hold; "" without one.
    gain_step : Estimate
        By how much the gain changed on that date. [1]
    """

    offset: Estimate
    resting: Estimate
    gain: Estimate
    gain_witness: str
    dead_band: Estimate
    zero: Zero | None
    beside: Zero | None = None
    offset_since: str = ""
    gain_since: str = ""
    gain_step: Estimate = NO_STEP


def _open_zero(history: History) -> Zero | None:
    """Mean reading while the pack's switches were open, on days without heating: that goes on behind them."""
    days = [d for d in history.digests if not d.heater.runs and math.isfinite(d.sensor.open_a)]
    rows = [(d.sensor.open_h, d.sensor.open_a) for d in days]
    hours = math.fsum(h for h, _ in rows)
    if hours < OPEN_HOURS:
        return None
    offset = math.fsum(h * a for h, a in rows) / hours
    hidden = _dead_band(history).value
    if hidden is not None and hidden >= DEAD_BAND_A and abs(offset) < hidden:
        return None  # a dead band reads zero whatever the offset
    rest = _resting(history)
    if rest.low is not None and offset < rest.low - DRAWS_A:
        return None  # with open switches less flows than at rest: something unseen draws
    return Zero(offset, OPEN_U_A, f"{hours:.1f} h with charging and discharging disabled")


def _resting_zero(history: History) -> Zero | None:
    """What a sensor reads as charging, at rest on the plateau: whatever stands by only makes it less."""
    rest = _resting(history)
    hours = math.fsum(d.sensor.rest_h for d in history.digests if math.isfinite(d.sensor.rest_a))
    if rest.value is None or rest.n < 5 or hours < 10 or rest.value < RESTING_A:
        return None
    return Zero(rest.value + 0.05, 0.1, f"{hours:.0f} h of rest below the top that read as charging")


def _lately(history: History) -> tuple[Window, ...]:
    """The windows after the last clear step of the offset; all of them without one."""
    parts = stretches(heated_windows(history))
    return parts[-1] if parts else ()


def _closure(history: History) -> Zero | None:
    """Zero error and heaters' share from closed windows together; None if they tell next to nothing."""
    found = _lately(history)
    path = heater_path(history)
    zero = balance(found, path=path).zero
    if not found or zero.u_a >= UNTOLD_U_A:
        return None
    apart = halves_apart(found, path)
    return replace(zero, u_a=math.hypot(zero.u_a, apart)) if apart else zero


@once
def _counted(history: History) -> tuple[Zero | None, str]:
    """Zero from charge alone, by closures or by what a pack can hold, and since when ("" from the start)."""
    found = heated_windows(history)
    closed = _closure(history)
    lately = _lately(history)[:1]
    since = lately[0].first if lately and lately[0].start_s > found[0].start_s else ""
    if closed is not None and closed.u_a < SURE_U_A:
        return closed, since
    bound = bound_zero(history)
    if bound is None or (closed is not None and not bound.since and closed.u_a <= bound.zero.u_a):
        return closed, since
    if closed is not None and bound.since:
        apart = abs(bound.zero.offset_a - closed.offset_a)
        if apart <= 2 * math.hypot(bound.zero.u_a, closed.u_a):
            return closed, since
    return bound.zero, bound.since


@once
def known_zero(history: History) -> Zero | None:
    """Combine counted charge and open contactors into one offset, weighted by variance; None without either.

    Returns
    -------
    Zero or None
        If the two disagree beyond their uncertainties, the uncertainty covers both.
    """
    parts = [z for z in (_counted(history)[0], _open_zero(history)) if z is not None]
    if not parts:
        return _resting_zero(history)
    weights = [1 / z.u_a**2 for z in parts]
    offset = sum(w * z.offset_a for w, z in zip(weights, parts, strict=True)) / sum(weights)
    u = 1 / math.sqrt(sum(weights))
    u = max([u, *(0.5 * abs(z.offset_a - offset) for z in parts)])
    return Zero(offset, u, "; ".join(z.basis for z in parts))


def _resting(history: History) -> Estimate:
    rows = [(d.sensor.rest_a, d.sensor.rest_h) for d in history.digests if math.isfinite(d.sensor.rest_a)]
    rows = rows[-30:]
    if not rows:
        return unknown("A", "no rest of half an hour with a steady small current")
    values = np.array([a for a, _ in rows])
    hours = math.fsum(h for _, h in rows)
    spread = 1.2533 * 1.4826 * float(np.median(np.abs(values - np.median(values)))) / math.sqrt(values.size)
    basis = f"{hours:.0f} h of rest on {values.size} days"
    return around(float(np.median(values)), 1.96 * spread + 0.01, "A", basis=basis, n=values.size)


def _dead_band(history: History) -> Estimate:
    rows = [d.sensor for d in history.digests if d.sensor.zero_fraction > 0.05]
    smallest = [s.smallest_a for s in rows if math.isfinite(s.smallest_a)]
    if len(smallest) < 3:
        return unknown("A", "too few readings of exactly zero to tell")
    value = float(np.median(smallest))
    if value < DEAD_BAND_A:
        return Estimate(0.0, "A", 0.0, value, f"readings near zero on {len(smallest)} days", len(smallest))
    return Estimate(
        value, "A", 0.0, value * 1.2, f"smallest reading beside zero, {len(smallest)} days", len(smallest)
    )


def _swallowed(history: History) -> float:
    """Mean current that a dead band can have hidden: its width times the share of time that read zero. [A]"""
    width = _dead_band(history).value
    flows = [d.flow for d in history.digests]
    covered = math.fsum(f.total.covered_s for f in flows)
    if not width or width < DEAD_BAND_A or covered <= 0:
        return 0.0
    moving = math.fsum(f.positive_s + f.negative_s for f in flows)
    return width * min(max(1 - moving / covered, 0.0), 1.0)


@once
def current_sensor(history: History, others: Sequence[History] = ()) -> CurrentSensor:
    """Say what is known about a pack's current sensor.

    Parameters
    ----------
    history : History
    others : sequence of History
        The packs in parallel, whose current a witness of the bank also sees.

    Returns
    -------
    CurrentSensor

    References
    ----------
    JCGM 100:2008 (GUM), eq. 10 for the combination of independent contributions (number from memory).
    """
    zero = known_zero(history)
    if zero is None:
        reason = f"no two full charges, no open contactor, and less than {LEAST_DAYS} days of counted charge"
        offset = unknown("A", reason)
    else:
        swallowed = _swallowed(history)
        basis = f"{zero.basis}; a dead band may hide {swallowed:.2f} A of it" if swallowed else zero.basis
        offset = around(zero.offset_a, math.hypot(1.96 * zero.u_a, swallowed), "A", basis=basis)
    gain = gain_against(history, others)
    return CurrentSensor(
        offset=offset,
        resting=_resting(history),
        gain=gain.estimate,
        gain_witness=gain.witness,
        dead_band=_dead_band(history),
        zero=zero,
        beside=_open_zero(history) or (None if _closure(history) else zero),
        offset_since=_counted(history)[1],
        gain_since=gain.since,
        gain_step=gain.step,
    )
