"""Weeks of a simulated bank's past, fast: physics in blocks of half a minute, instruments at every sample."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from sample_data.bank import BankDay, Scenario, bank_day
from sample_data.course import Log, advance, course
from sample_data.engine import ODD_END_C, Engine
from sample_data.household import load_w
from sample_data.sensing import BankCourse, Shown, show_pack, show_witness
from sample_data.state import BankState, initial
from sample_data.weather import outside_c, solar_w

Array = NDArray[np.float64]
EPOCH = dt.date(1970, 1, 1)


@dataclass(frozen=True, slots=True)
class TripTruth:
    """A protection that opened: when [UTC epoch s], which pack and cell, "high" or "low"."""

    time_s: float
    pack: str
    cell: int
    side: str


@dataclass(frozen=True, slots=True)
class PackTruth:
    """What really happened in one pack on one day; Ah and Wh are the cells', before any sensor.

    Attributes
    ----------
    capacity_ah, leak_a, r0_ohm : tuple of float
        Per cell; resistance at 25 °C without the RC pairs.
    charge_ah : tuple of float
        Charge in each cell at the day's end. [Ah]
    ah_in, ah_out, balanced_ah : float
        Through the busbar, and taken off by the balancer (all cells). [Ah]
    heater_wh, heater_s : float
        Energy the heater turned to heat [Wh], time it was commanded on [s].
    coldest_c, warmest_c : float
        Of the cells. [°C]
    min_soc, max_soc : float
        Of the mean cell. [1]
    cold_ah : float
        Charged while the outer cells were at or below 0 °C. [Ah]
    refused_s : float
        Time during which charging was refused. [s]
    wh_in, wh_out : float
        Energy at the terminals of what flowed through the place of the current sensor. [Wh]
    """

    capacity_ah: tuple[float, ...]
    leak_a: tuple[float, ...]
    r0_ohm: tuple[float, ...]
    charge_ah: tuple[float, ...]
    ah_in: float
    ah_out: float
    balanced_ah: float
    heater_wh: float
    heater_s: float
    coldest_c: float
    warmest_c: float
    min_soc: float
    max_soc: float
    cold_ah: float
    refused_s: float
    wh_in: float = 0.0
    wh_out: float = 0.0


@dataclass(frozen=True, slots=True)
class DayTruth:
    """The truth about one day of the bank."""

    packs: dict[str, PackTruth]
    trips: tuple[TripTruth, ...]
    bus_lead_ohm: float
    hall_mean_c: float
    full: bool


@dataclass(frozen=True, slots=True)
class SimDay:
    """One local day: tables of stored integers by pack and by witness, and the truth."""

    day: dt.date
    tables: dict[str, pa.Table]
    witness: dict[str, pa.Table]
    truth: DayTruth


def bounds(day: dt.date, zone: ZoneInfo) -> tuple[int, int]:
    """Return the UTC epoch seconds of a local day's two midnights."""
    first = dt.datetime.combine(day, dt.time(), zone)
    last = dt.datetime.combine(day + dt.timedelta(days=1), dt.time(), zone)
    return round(first.timestamp()), round(last.timestamp())


def simulate(
    scenario: Scenario,
    first_day: dt.date,
    days: int,
    *,
    period_s: int = 1,
    state: BankState | None = None,
    until_s: float | None = None,
) -> Iterator[SimDay]:
    """Yield the bank's past, day by day.

    Parameters
    ----------
    scenario : Scenario
        The place; equal scenarios give equal days.
    first_day : datetime.date
        Local date in the scenario's zone; faults count their days from the first day of the state.
    days : int
        How many.
    period_s : int
        Interval of the packs' readings; must divide the scenario's block. [s]
    state : BankState, optional
        Where to start; moved on in place, so it is the end state afterwards. As delivered if not given.
    until_s : float, optional
        UTC epoch seconds at which the last day is cut short.

    Yields
    ------
    SimDay

    Raises
    ------
    ValueError
        If `period_s` does not divide the block.
    """
    if scenario.block_s % period_s:
        raise ValueError(f"period_s must divide {scenario.block_s} s; {period_s} does not")
    zone = ZoneInfo(scenario.timezone)
    start = bounds(first_day, zone)[0]
    if state is None:
        state = initial(
            scenario, float(outside_c(scenario.climate, np.array([float(start), start + 1.0]))[0]) + 1.5
        )
    state.first_day = state.first_day or first_day.isoformat()
    engine = Engine(scenario, state)
    for number in range(days):
        day = first_day + dt.timedelta(days=number)
        begin, end = bounds(day, zone)
        if until_s is not None:
            end = min(end, begin + int((until_s - begin) // scenario.block_s) * scenario.block_s)
        if end > begin:
            yield _one_day(engine, day, (begin, end), period_s)


def start_day(engine: Engine, day: dt.date) -> BankDay:
    """Put a local day's parameters in force; what happens once at its start happens once."""
    number = (day - dt.date.fromisoformat(engine.state.first_day)).days
    bank = bank_day(engine.scenario, number)
    engine.begin_day(bank, day.isoformat())
    return bank


def profiles(scenario: Scenario, day: dt.date, begin: int, end: int) -> tuple[Array, Array]:
    """Return sun and load in every second of a local day. [W]"""
    seconds = end - begin
    load = load_w(scenario.household, (day - EPOCH).days, seconds)
    return solar_w(scenario.climate, begin + np.arange(seconds, dtype=float)), load


def _one_day(engine: Engine, day: dt.date, span: tuple[int, int], period_s: int) -> SimDay:
    scenario, block = engine.scenario, engine.scenario.block_s
    begin, end = span
    zone_end = bounds(day, ZoneInfo(scenario.timezone))[1]
    sun, load = (p[: end - begin : period_s] for p in profiles(scenario, day, begin, zone_end))
    sub = block // period_s
    blocks = (end - begin) // block
    sun, load = sun.reshape(blocks, sub), load.reshape(blocks, sub)
    outside = outside_c(scenario.climate, begin + block * np.arange(blocks, dtype=float))
    bank = start_day(engine, day)
    log = Log()
    for pv, use, air in zip(
        sun.mean(axis=1).tolist(), load.mean(axis=1).tolist(), outside.tolist(), strict=True
    ):
        advance(engine, log, block, pv, use, air)
    log.charge.append([p.charge_ah for p in engine.state.packs])
    times = (begin * 1000 + 1000 * period_s * np.arange(blocks * sub)).astype(np.int64)
    taken = course(scenario, log, sun, load, times, period_s)
    rng = np.random.default_rng([scenario.seed, 13, begin // 3600])
    shown = [show_pack(scenario, d, taken, p, rng) for d, p in zip(bank.packs, taken.packs, strict=True)]
    tables = {d.spec.name: s.table for d, s in zip(bank.packs, shown, strict=True)}
    witness = {scenario.witness: show_witness(scenario, bank, taken, shown, rng)}
    return SimDay(day, tables, witness, _truth(scenario, bank, log, taken, shown, begin))


def _truth(
    scenario: Scenario, bank: BankDay, log: Log, taken: BankCourse, shown: list[Shown], begin: int
) -> DayTruth:
    hours = scenario.block_s / 3600
    packs = {}
    for k, (day, pack) in enumerate(zip(bank.packs, taken.packs, strict=True)):
        heat_w = np.array([s.packs[k].heater_w for s in log.steps])
        ones = np.array([int(b).bit_count() for b in pack.balancing])
        soc = (pack.charge_ah / day.capacity_ah).mean(axis=1)
        cell_a = pack.bus_a - pack.drawn_a
        watts = shown[k].through_a * shown[k].terminal_v
        packs[day.spec.name] = PackTruth(
            capacity_ah=tuple(day.capacity_ah.tolist()),
            leak_a=tuple(day.leak_a.tolist()),
            r0_ohm=tuple((day.r0_ohm + day.link_ohm).tolist()),
            charge_ah=tuple(pack.charge_ah[-1].tolist()),
            ah_in=float(np.clip(pack.bus_a, 0, None).sum() * hours),
            ah_out=float(np.clip(-pack.bus_a, 0, None).sum() * hours),
            balanced_ah=float(ones.sum() * day.balance_a * hours),
            heater_wh=float(heat_w.sum() * hours),
            heater_s=float(pack.heater.sum() * scenario.block_s),
            coldest_c=float(pack.end_c.min()) - ODD_END_C,
            warmest_c=float(pack.mid_c.max()),
            min_soc=float(soc.min()),
            max_soc=float(soc.max()),
            cold_ah=float(np.clip(cell_a, 0, None)[pack.end_c <= 0].sum() * hours),
            refused_s=float((pack.charge_ok == 0).sum() * scenario.block_s),
            wh_in=float(np.clip(watts, 0, None).sum() * taken.period_s / 3600),
            wh_out=float(np.clip(-watts, 0, None).sum() * taken.period_s / 3600),
        )
    names = [p.name for p in scenario.packs]
    trips = tuple(TripTruth(begin + b * scenario.block_s, names[k], c, side) for b, (k, c, side) in log.trips)
    full = any(p.max_soc > 0.985 for p in packs.values())
    return DayTruth(packs, trips, bank.bus_lead_ohm, float(taken.hall_c.mean()), full)
