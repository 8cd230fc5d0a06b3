"""Round-trip efficiency between equal anchors, split into its parts, with where the loss went."""

from __future__ import annotations

import math
from dataclasses import dataclass

from analysis.closure import (
    DRAIN_MEAN_A,
    DRAIN_U_A,
    LEAST_EFC,
    LOSS_MEAN,
    LOSS_U,
    OFFSET_U_A,
    WARM_C,
    Window,
    Zero,
    closure_zero,
    combined_zero,
    energies,
    interval,
    pooled,
    windows,
    with_efficiency,
)
from analysis.estimate import Estimate, around, unknown
from analysis.history import History, Span


@dataclass(frozen=True, slots=True)
class Losses:
    """Where the energy went that did not come back. [Wh]

    `total` is energy in minus energy out; `ohmic` is ∫ I²R; `heater` what heaters took from the cells;
    `charge` what charge that did not come back carried; `unexplained` the rest.
    """

    total: Estimate
    ohmic: Estimate
    heater: Estimate
    charge: Estimate
    unexplained: Estimate


@dataclass(frozen=True, slots=True)
class Efficiency:
    """Efficiency of a pack over a history.

    Attributes
    ----------
    round_trip : Estimate
        Energy out over energy in at the terminals, everything inside the pack included. [1]
    round_trip_raw : Estimate
        The same as the meter has it, nothing corrected. [1]
    coulombic_raw : Estimate
        Charge out over charge in as the meter has it; above 1 it is evidence about the sensor. [1]
    voltage : Estimate
        Mean discharge voltage over mean charge voltage, weighted with charge. [1]
    offset_a : Estimate
        The zero error that was taken out. [A]
    losses : Losses
    windows : tuple of Window
    note : str
        What to keep in mind, in words; empty if nothing.
    """

    round_trip: Estimate
    round_trip_raw: Estimate
    coulombic_raw: Estimate
    voltage: Estimate
    offset_a: Estimate
    losses: Losses
    windows: tuple[Window, ...]
    note: str


def efficiency(
    history: History,
    *,
    zero: Zero | None = None,
    resistance: Estimate | None = None,
    heater_wh: Estimate | None = None,
) -> Efficiency:
    """Tell how much of the energy that goes into a pack comes out again.

    Parameters
    ----------
    history : History
        The time to speak about; best whole weeks.
    zero : Zero, optional
        What is known of the current sensor's zero from a longer history (`closure_zero`) or from rests.
        Without, it is estimated from this history's own closures.
    resistance : Estimate, optional
        Of the whole pack over a minute or so, for the ohmic loss. [Ω]
    heater_wh : Estimate, optional
        Taken by heaters from the cells in this time. [Wh]

    Returns
    -------
    Efficiency
        Every number with interval, or the reason why there is none.

    References
    ----------
    PNNL-22010 Rev 2 / SAND2016-3078 R (2016), "Protocol for Uniformly Measuring and Expressing the
    Performance of Energy Storage Systems": round trip as sum of energy out over sum of energy in, ending at
    the state it started from (clause from memory). JCGM 100:2008, section 5.2: a shared error is not added in
    quadrature.
    """
    found = windows(history)
    zero = combined_zero(zero if zero is not None else closure_zero(found))
    found = tuple(with_efficiency(window, zero) for window in found)
    pool = pooled(found)
    whole = history.whole()
    voltage = _voltage(history, whole)
    if pool is None:
        round_trip, raw = _without_windows(history, voltage)
        losses = _losses(None, zero, history, resistance, heater_wh)
    else:
        round_trip = _estimate(pool, zero, _basis(found), len(found))
        raw = _raw(pool, _basis(found), len(found))
        losses = _losses(pool, zero, history, resistance, heater_wh)
    coulombic = _coulombic(pool, _basis(found), len(found))
    offset = Estimate(
        zero.offset_a,
        "A",
        zero.offset_a - 1.96 * zero.u_a,
        zero.offset_a + 1.96 * zero.u_a,
        zero.basis,
        len(found),
    )
    return Efficiency(round_trip, raw, coulombic, voltage, offset, losses, found, _note(coulombic, pool))


def _basis(found: tuple[Window, ...]) -> str:
    if not found:
        return "no closed windows"
    return f"{len(found)} windows between full charges, {found[0].first} to {found[-1].last}"


def _estimate(pool: Window, zero: Zero, basis: str, n: int) -> Estimate:
    value, low, high = interval(pool, zero)
    if not 0.5 <= value <= 1.0:
        return unknown(
            "1", f"{value:.3f} cannot be: the current sensor is off by more than its closures tell", basis, n
        )
    return Estimate(
        value, "1", low, high, f"{basis}; zero {zero.offset_a:+.3f} A taken out", n, _covered(pool)
    )


def _covered(pool: Window) -> float:
    return pool.span.covered_s / pool.span.elapsed_s if pool.span.elapsed_s > 0 else 0.0


def _raw(pool: Window, basis: str, n: int) -> Estimate:
    """What the meter says, with the interval a usual sensor's zero gives it."""
    value, low, high = interval(pool, combined_zero())
    raw = pool.span.wh_out / pool.span.wh_in
    half = 0.5 * (high - low) if high < 1.0 else value - low
    return Estimate(raw, "1", raw - half, raw + half, f"{basis}; as metered", n, _covered(pool))


def _coulombic(pool: Window | None, basis: str, n: int) -> Estimate:
    if pool is None:
        return unknown("1", "needs two full charges of the same kind without gaps between", basis)
    moved = pool.span
    value = moved.ah_out / moved.ah_in
    u_zero = OFFSET_U_A * (pool.hours_in / moved.ah_in * value + pool.hours_out / moved.ah_in)
    half = 1.96 * math.hypot(u_zero, pool.closure_u_ah / moved.ah_in)
    return Estimate(value, "1", value - half, value + half, f"{basis}; as metered", n, _covered(pool))


def _voltage(history: History, whole: Span) -> Estimate:
    """Mean discharge over mean charge voltage: it hardly feels the sensor's zero nor an open end."""
    rated = history.facts.rated_ah
    coverage = whole.covered_s / whole.elapsed_s if whole.elapsed_s > 0 else 0.0
    moved = min(whole.ah_in, whole.ah_out)
    if moved < LEAST_EFC * rated or whole.wh_in <= 0:
        return unknown("1", f"needs {LEAST_EFC:.1f} of the rated charge in and out", coverage=coverage)
    value = (whole.wh_out / whole.ah_out) / (whole.wh_in / whole.ah_in)
    open_ends = 0.03 * min(
        abs(whole.ah) / moved, 1.0
    )  # charge at one end sits at most 3 % off the mean voltage
    half = 0.001 + open_ends + 0.01 * (1 - min(coverage, 1.0))
    basis = f"{len(history.digests)} days, {history.days[0]} to {history.days[-1]}"
    return Estimate(value, "1", value - half, min(value + half, 1.0), basis, len(history.digests), coverage)


def _without_windows(history: History, voltage: Estimate) -> tuple[Estimate, Estimate]:
    """Efficiency from the voltages alone, when no window closes and no heater can have run."""
    why = "needs two full charges of the same kind with few gaps between"
    raw = unknown("1", why, coverage=voltage.coverage)
    warm = all(d.usage.temp_min_c > WARM_C for d in history.digests)
    if voltage.value is None or voltage.low is None or voltage.high is None:
        return unknown("1", f"{why}; {voltage.reason}", coverage=voltage.coverage), raw
    if not warm:
        return unknown("1", f"{why}; heaters may have run", coverage=voltage.coverage), raw
    whole = history.whole()
    hours = whole.covered_s / 3600
    lost = LOSS_MEAN + DRAIN_MEAN_A * hours / whole.ah_in
    u = math.hypot(LOSS_U, DRAIN_U_A * hours / whole.ah_in)
    value = voltage.value * (1 - lost)
    half = math.hypot(1.96 * u, 0.5 * (voltage.high - voltage.low))
    basis = f"voltages of {voltage.basis}; charge taken to come back but for {lost:.1%}, unchecked"
    return Estimate(value, "1", value - half, min(value + half, 1.0), basis, voltage.n, voltage.coverage), raw


def _losses(
    pool: Window | None, zero: Zero, history: History, resistance: Estimate | None, heater_wh: Estimate | None
) -> Losses:
    if pool is None:
        no = unknown("Wh", "needs two full charges of the same kind with few gaps between")
        return Losses(no, no, no, no, no)
    e_in, e_out = energies(pool, zero.offset_a)
    u = (
        1.96
        * (pool.span.wh_in / pool.span.ah_in)
        * math.hypot(zero.u_a * (pool.hours_in + pool.hours_out), pool.closure_u_ah)
    )
    n = len(history.digests)
    total = around(e_in - e_out, u, "Wh", basis="energy in minus energy out", n=n)
    ohmic = _ohmic(pool, history, resistance)
    heater = (
        heater_wh if heater_wh is not None else unknown("Wh", "no heater was seen or its energy is not known")
    )
    charge = _charge_loss(pool, zero, u)
    return Losses(total, ohmic, heater, charge, _rest(total, ohmic, heater, charge))


def _ohmic(pool: Window, history: History, resistance: Estimate | None) -> Estimate:
    if resistance is None or resistance.value is None:
        return unknown("Wh", "needs the pack's resistance: current steps of 0.1 C and more")
    share = pool.span.covered_s / max(history.whole().covered_s, 1.0)
    i2t = share * sum(d.flow.i2t_a2h for d in history.digests)
    low = resistance.low if resistance.low is not None else resistance.value
    high = resistance.high if resistance.high is not None else resistance.value
    return Estimate(
        i2t * resistance.value, "Wh", i2t * low, i2t * high, f"∫ I² dt times {resistance.basis}", resistance.n
    )


def _charge_loss(pool: Window, zero: Zero, u_wh: float) -> Estimate:
    hours = pool.hours_in + pool.hours_out
    lost = pool.span.ah - zero.offset_a * hours
    volts = pool.span.wh_out / pool.span.ah_out
    value = lost * volts
    return Estimate(
        value, "Wh", value - u_wh, value + u_wh, "charge that did not come back, at mean voltage", 1
    )


def _rest(total: Estimate, *parts: Estimate) -> Estimate:
    """What of the total no part explains; the parts unknown count as zero and widen nothing."""
    if total.value is None or total.low is None or total.high is None:
        return unknown("Wh", total.reason)
    known = [p for p in parts if p.value is not None]
    value = total.value - sum(p.value for p in known if p.value is not None)
    half = math.sqrt(
        sum(((p.high - p.low) / 2) ** 2 for p in (total, *known) if p.high is not None and p.low is not None)
    )
    names = f"{len(known)} of {len(parts)} parts known"
    return Estimate(value, "Wh", value - half, value + half, names, total.n)


def _note(coulombic: Estimate, pool: Window | None) -> str:
    if coulombic.value is None or pool is None or coulombic.value <= 1.0:
        return ""
    hours = pool.hours_in + pool.hours_out
    offset = -(pool.span.ah_out - pool.span.ah_in) / hours
    return (
        f"The meter gives back more charge than went in ({coulombic.value:.4f}): its zero is off by at least "
        f"{offset:+.2f} A. This says something about the sensor and nothing about the battery."
    )
