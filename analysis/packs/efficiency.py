"""Round-trip efficiency between equal anchors, split into its parts, with where the loss went."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from analysis.estimate import Estimate, around, unknown
from analysis.history import History
from analysis.packs.balance import Balance, balance, lost_ah, lost_in_all, true_in_ah
from analysis.packs.closure import LEAST_EFC, OFFSET_U_A, Window, Zero, pooled
from analysis.packs.heater_path import day_heaters, day_more, heated_windows, heater_path
from analysis.packs.window_efficiency import Swing, interval, voltage_ratio, with_efficiency
from analysis.packs.zero_step import stretch_of

LOOK_BACK_S = 60 * 86400.0
"""How far before the time asked for closures tell of the sensor. [s] Common practice, no source."""
SPEAKS = 0.7
"""Part of the charge put in, and of what heaters used, from which closed windows speak for all days. [1]
Common practice, no source."""
UNSURE = 0.01
"""Standard uncertainty of the share of charge lost above which voltages alone give no efficiency. [1]"""


@dataclass(frozen=True, slots=True)
class Losses:
    """Where the energy went that did not come back. [Wh]

    `total` is energy in minus energy out; `ohmic` is ∫ I²R; `charge` is what the charge that did not come
    back carried; `unexplained` the rest. `heater` is what heaters took: part of `charge` where their
    current passes by the sensor, of none of these where it passes through it.
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
    days : (str, str)
        First and last local date of what `round_trip` speaks of; "" without it.
    """

    round_trip: Estimate
    round_trip_raw: Estimate
    coulombic_raw: Estimate
    voltage: Estimate
    offset_a: Estimate
    losses: Losses
    windows: tuple[Window, ...]
    note: str
    days: tuple[str, str] = ("", "")


def efficiency(
    history: History,
    *,
    zero: Zero | None = None,
    background: History | None = None,
    resistance: Estimate | None = None,
    heater_wh: Estimate | None = None,
) -> Efficiency:
    """Tell how much of the energy that goes into a pack comes out again.

    Parameters
    ----------
    history : History
        The time to speak about; best whole weeks.
    zero : Zero, optional
        What is known of the current sensor's zero from elsewhere than from closures.
    background : History, optional
        A longer history that holds this one: its closures tell the zero error and what heaters took.
        Without, this history's own do.
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
    found, alike = _alike(history, background)
    fit = balance(alike, zero, heater_path(background or history))
    found = tuple(with_efficiency(window, fit) for window in found)
    voltage = _voltage(history, fit.zero.offset_a)
    offset = around(fit.zero.offset_a, 1.96 * fit.zero.u_a, "A", basis=fit.zero.basis, n=len(found))
    if not found:
        return _without_windows(history, voltage, offset, fit)
    pool = pooled(found)
    coulombic = _coulombic(pool, _basis(found), len(found))
    over_all = _over_all(history, found, fit, voltage)
    return Efficiency(
        round_trip=over_all or _estimate(found, fit),
        round_trip_raw=_raw(pool, _basis(found), len(found)),
        coulombic_raw=coulombic,
        voltage=voltage,
        offset_a=offset,
        losses=_losses(found, fit, history, resistance, heater_wh),
        windows=found,
        note=_note(coulombic, pool),
        days=(history.days[0], history.days[-1]) if over_all else (found[0].first, found[-1].last),
    )


def _alike(history: History, background: History | None) -> tuple[tuple[Window, ...], tuple[Window, ...]]:
    """The windows asked for, and all those about them, between two steps of the sensor's zero."""
    found = heated_windows(history)
    around_them = _lately(history, background) if background else found
    if not found or not around_them:
        return found, around_them
    part = stretch_of(around_them, found[0].start_s, found[-1].end_s)
    inside = tuple(w for w in found if part[0].start_s <= w.start_s and w.end_s <= part[-1].end_s)
    return inside or found, part


def _lately(history: History, background: History) -> tuple[Window, ...]:
    """Windows of a longer history from `LOOK_BACK_S` before this one on: a sensor's zero may wander."""
    if not history.digests:
        return heated_windows(background)
    earliest = history.digests[0].start_s - LOOK_BACK_S
    return tuple(w for w in heated_windows(background) if w.start_s >= earliest)


def _basis(found: tuple[Window, ...]) -> str:
    return f"{len(found)} windows between full charges, {found[0].first} to {found[-1].last}"


def _estimate(found: tuple[Window, ...], fit: Balance) -> Estimate:
    value, low, high = interval(found, fit)
    basis, n = _basis(found), len(found)
    if not 0.5 <= value <= 1.0:
        return unknown("1", f"{value:.3f} cannot be: the meter is off by more than is known of it", basis, n)
    warm = sum(w.warm for w in found)
    basis += (
        f"; voltages of the meter, charge by closure and what a healthy pack loses ({warm} without heating)"
    )
    return Estimate(value, "1", low, high, basis, n, _covered(pooled(found)))


def _over_all(
    history: History, found: tuple[Window, ...], fit: Balance, voltage: Estimate
) -> Estimate | None:
    """Of all days, where the closed windows hold too little of their charge, or heating, to speak for them.

    The zero and what cells, electronics and heaters lose are those of the windows; voltages, hours and
    heating are those of all days. None where the windows speak for all, or where this is less sure.
    """
    moved, pool = history.whole(), pooled(found)
    heaters, more = math.fsum(day_heaters(history)), math.fsum(day_more(history))
    unheld = heaters + more - pool.heater_ah - pool.heater_more_ah
    alike = unheld <= max((1 - SPEAKS) * (heaters + more), UNSURE * moved.ah_in)
    speak = pool.span.ah_in >= SPEAKS * moved.ah_in and (alike or fit.heating <= 0)
    if speak or voltage.value is None or voltage.low is None:
        return None
    flows = [d.flow for d in history.digests]
    whole = replace(
        found[0],
        span=moved,
        heater_ah=heaters,
        heater_more_ah=more,
        hours_in=sum(f.positive_s for f in flows) / 3600,
        hours_out=sum(f.negative_s for f in flows) / 3600,
        warm=False,
        vh_in=sum(f.positive_vh for f in flows),
        vh_out=sum(f.negative_vh for f in flows),
    )
    value, low, high = interval((whole,), fit)
    ends = voltage.value - voltage.low
    low, high = value - math.hypot(value - low, ends), min(value + math.hypot(high - value, ends), 1.0)
    if not 0.5 <= value <= 1.0 or high - low > 2 * 1.96 * UNSURE:
        return None
    basis = (
        f"{len(history.digests)} days, {history.days[0]} to {history.days[-1]}; zero and losses told by "
        f"{_basis(found)}"
    )
    return Estimate(value, "1", low, high, basis, len(found), voltage.coverage)


def _covered(pool: Window) -> float:
    return pool.span.covered_s / pool.span.elapsed_s if pool.span.elapsed_s > 0 else 0.0


def _raw(pool: Window, basis: str, n: int) -> Estimate:
    """What the meter says, with the interval that an unknown zero of a usual sensor leaves it."""
    moved = pool.span
    raw = moved.wh_out / moved.wh_in
    u_zero = OFFSET_U_A * (pool.hours_in / moved.ah_in + pool.hours_out / max(moved.ah_out, 1e-9))
    half = 1.96 * raw * math.hypot(u_zero, pool.closure_u_ah / moved.ah_in)
    return around(raw, half, "1", basis=f"{basis}; as metered", n=n, coverage=_covered(pool))


def _coulombic(pool: Window, basis: str, n: int) -> Estimate:
    moved = pool.span
    value = moved.ah_out / moved.ah_in
    u_zero = OFFSET_U_A * (pool.hours_in / moved.ah_in * value + pool.hours_out / moved.ah_in)
    half = 1.96 * math.hypot(u_zero, pool.closure_u_ah / moved.ah_in)
    return around(value, half, "1", basis=f"{basis}; as metered", n=n, coverage=_covered(pool))


def _voltage(history: History, offset_a: float) -> Estimate:
    """Mean discharge over mean charge voltage, the sensor's zero taken out; it hardly feels an open end."""
    metered = tuple(d for d in history.digests if math.isfinite(d.flow.total.wh_in))  # days with a voltage
    whole = History(history.facts, metered).whole()
    coverage = whole.covered_s / whole.elapsed_s if whole.elapsed_s > 0 else 0.0
    moved = min(whole.ah_in, whole.ah_out)
    if moved < LEAST_EFC * history.facts.rated_ah or whole.wh_in <= 0:
        return unknown("1", f"needs {LEAST_EFC:.1f} of the rated charge in and out", coverage=coverage)
    flows = [d.flow for d in metered]
    swing = Swing(
        sum(f.positive_s for f in flows) / 3600,
        sum(f.negative_s for f in flows) / 3600,
        sum(f.positive_vh for f in flows),
        sum(f.negative_vh for f in flows),
    )
    value = voltage_ratio(whole, swing, offset_a)
    open_ends = 0.03 * min(abs(whole.ah) / moved, 1.0)  # charge at one end is at most 3 % off the mean
    half = 0.001 + open_ends + 0.01 * (1 - min(coverage, 1.0))
    basis = f"{len(history.digests)} days, {history.days[0]} to {history.days[-1]}"
    return Estimate(value, "1", value - half, min(value + half, 1.0), basis, len(history.digests), coverage)


def _without_windows(history: History, voltage: Estimate, offset: Estimate, fit: Balance) -> Efficiency:
    """What can be said when no window closes: the voltages, if no heater can have run."""
    why = "needs two full charges of the same kind with few gaps between"
    no = unknown("1", why, coverage=voltage.coverage)
    no_wh = unknown("Wh", why)
    return Efficiency(
        round_trip=_from_voltages(history, voltage, why, fit),
        round_trip_raw=no,
        coulombic_raw=no,
        voltage=voltage,
        offset_a=offset,
        losses=Losses(no_wh, no_wh, no_wh, no_wh, no_wh),
        windows=(),
        note="",
        days=(history.days[0], history.days[-1]) if history.days else ("", ""),
    )


def _from_voltages(history: History, voltage: Estimate, why: str, fit: Balance) -> Estimate:
    if voltage.value is None or voltage.low is None or voltage.high is None:
        return unknown("1", f"{why}; {voltage.reason}", coverage=voltage.coverage)
    whole = history.whole()
    heaters, more = math.fsum(day_heaters(history)), math.fsum(day_more(history))
    lost, u = lost_ah(whole.ah_in, whole.covered_s / 3600, heaters, fit, more)
    lost, u = lost / whole.ah_in, u / whole.ah_in
    if u > UNSURE:
        reason = (
            f"{why}; heaters may have taken up to {100 * (heaters + more) / whole.ah_in:.0f} % of the charge"
        )
        return unknown("1", reason, coverage=voltage.coverage)
    value = voltage.value * (1 - lost)
    half = math.hypot(1.96 * u, 0.5 * (voltage.high - voltage.low))
    basis = f"voltages of {voltage.basis}; charge taken to come back but for {100 * lost:.1f} %, unchecked"
    high = min(value + half, voltage.high, 1.0)
    return Estimate(value, "1", value - half, high, basis, voltage.n, voltage.coverage)


def _losses(
    found: tuple[Window, ...],
    fit: Balance,
    history: History,
    resistance: Estimate | None,
    heater_wh: Estimate | None,
) -> Losses:
    pool = pooled(found)
    value, low, high = interval(found, fit)
    e_in = pool.span.wh_in / pool.span.ah_in * true_in_ah(pool, fit)
    half = 0.5 * (high - low) * e_in
    total = around(e_in * (1 - value), half, "Wh", basis="energy in minus energy out", n=len(found))
    ohmic = _ohmic(pool, history, resistance)
    heater = heater_wh or unknown("Wh", "no heater was seen, or its energy is not known")
    lost, u_lost = lost_in_all(found, fit)
    volts = pool.span.wh_out / pool.span.ah_out
    basis = "charge that did not come back, at mean voltage; with what heaters took past the sensor"
    charge = around(lost * volts, 1.96 * u_lost * volts, "Wh", basis=basis, n=len(found))
    return Losses(total, ohmic, heater, charge, _rest(total, ohmic, charge))


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


def _note(coulombic: Estimate, pool: Window) -> str:
    if coulombic.value is None or coulombic.value <= 1.0:
        return ""
    hours = pool.hours_in + pool.hours_out
    offset = -(pool.span.ah_out - pool.span.ah_in) / hours
    return (
        f"The meter gives back more charge than went in ({coulombic.value:.4f}): its zero is off by at least "
        f"{offset:+.2f} A. This says something about the sensor and nothing about the battery."
    )
