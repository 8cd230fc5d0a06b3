"""The fault library: banks with one thing wrong, in several sizes, on three physics, and healthy ones.

A case is a place, a span of days, a telemetry and its faults. `record` plays it as it would arrive.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pyarrow as pa

from sample_data.bank import Fault, Inverter, PackSpec, Scenario
from sample_data.cell import HILL, RIDGE, VALLEY, Chemistry
from sample_data.history import DayTruth, simulate
from sample_data.household import Household
from sample_data.telemetry import CLEAN, ROUGH, TYPICAL, Mess, messy
from sample_data.weather import Climate

AUTUMN = dt.date(2025, 10, 6)
MIDWINTER = dt.date(2025, 12, 8)
SPRING = dt.date(2026, 3, 2)


@dataclass(frozen=True, slots=True)
class Case:
    """One bank to be judged.

    Attributes
    ----------
    name : str
        For the table.
    scenario : Scenario
        The place, with its faults: the truth.
    first_day : datetime.date
    days : int
    mess : Mess
        Telemetry of the packs.
    period_s : int
        Interval of the simulated readings. [s]
    lost : tuple of int
        Days (from 0) on which nothing was recorded.
    """

    name: str
    scenario: Scenario
    first_day: dt.date
    days: int
    mess: Mess = CLEAN
    period_s: int = 10
    lost: tuple[int, ...] = ()

    @property
    def faults(self) -> tuple[Fault, ...]:
        """What is wrong."""
        return self.scenario.faults


@dataclass(frozen=True, slots=True)
class RecordedDay:
    """One day as it arrived (tables by pack and witness; empty on a lost day), and the truth."""

    day: dt.date
    tables: dict[str, pa.Table]
    witness: dict[str, pa.Table]
    truth: DayTruth


def record(case: Case) -> Iterator[RecordedDay]:
    """Play a case, day by day, as its telemetry lets it through."""
    days = simulate(case.scenario, case.first_day, case.days, period_s=case.period_s)
    for number, day in enumerate(days):
        if number in case.lost:
            yield RecordedDay(day.day, {}, {}, day.truth)
            continue
        seed = (case.scenario.seed, number)
        tables = {name: messy(t, case.mess, (*seed, k)) for k, (name, t) in enumerate(day.tables.items())}
        yield RecordedDay(day.day, tables, day.witness, day.truth)


def place(
    seed: int, *, physics: Chemistry = HILL, faults: tuple[Fault, ...] = (), winter_c: float = 5.0
) -> Scenario:
    """Return a bank somewhere else: packs, inverter, family and weather drawn by the seed.

    Parameters
    ----------
    seed : int
        Draws everything that is not named.
    physics : Chemistry
        Of the cells.
    faults : tuple of Fault
        What is wrong.
    winter_c : float
        Mean temperature of the year. [°C]
    """
    rng = np.random.default_rng([seed, 41])
    inside = bool(rng.random() < 0.6)
    packs = tuple(
        PackSpec(
            name=name,
            capacity_ah=float(rng.uniform(276, 290)),
            capacity_sd=float(rng.uniform(0.002, 0.006)),
            resistance_sd=float(rng.uniform(0.02, 0.05)),
            leak_sd=float(rng.uniform(0.0002, 0.0006)),
            lead_ohm=float(rng.uniform(1.8e-3, 3.2e-3)),
            balance_a=float(rng.choice([0.06, 0.1, 0.15])),
            heater_inside=inside,
            heater_w=float(rng.choice([100.0, 140.0, 200.0])),
            gain=float(1 + 0.004 * rng.standard_normal()),
            offset_a=float(rng.uniform(-0.08, 0.08)),
            cell_noise_v=float(rng.uniform(0.0003, 0.001)),
            insulation=float(rng.uniform(0.8, 1.4)),
            seed=100 * seed + k,
        )
        for k, name in enumerate("AB")
    )
    absorb = float(rng.uniform(55.4, 56.4))
    return Scenario(
        name=f"place {seed}",
        packs=packs,
        chemistry=physics,
        inverter=Inverter(
            absorb_v=absorb, low_soc=float(rng.uniform(0.12, 0.22)), lead_ohm=float(rng.uniform(4e-4, 9e-4))
        ),
        household=Household(scale=float(rng.uniform(0.85, 1.2)), seed=seed + 5),
        climate=Climate(mean_c=winter_c, pv_w=float(rng.uniform(12e3, 17e3)), seed=seed + 900),
        faults=faults,
        block_s=60,
        seed=seed,
    )


# name, days, first day, then for pack A, pack B or "bank": kind, size, cell, variant, onset day, ramp days
_Row = tuple[str, float, int | None, str, int, float]
_Bank = tuple[int, dt.date, dict[str, _Row]]
_BANKS: tuple[_Bank, ...] = (
    (
        90,
        AUTUMN,
        {"A": ("self_discharge", 0.006, 4, "", 0, 0), "B": ("low_capacity", 0.11, 10, "", 0, 0)},
    ),
    (
        100,
        AUTUMN,
        {"A": ("self_discharge", 0.060, 2, "", 20, 0), "B": ("self_discharge", 0.012, 9, "", 20, 0)},
    ),
    (
        90,
        SPRING,
        {"A": ("self_discharge", 0.025, 16, "", 30, 0), "B": ("high_resistance", 1.0, 14, "", 25, 0)},
    ),
    (
        75,
        SPRING,
        {"A": ("self_discharge", 0.100, 7, "", 15, 30), "B": ("static_offset", -12.0, 12, "", 0, 0)},
    ),
    (
        75,
        AUTUMN,
        {"A": ("static_offset", -4.0, 6, "", 0, 0), "B": ("high_resistance", 0.5, 8, "", 0, 0)},
    ),
    (
        75,
        AUTUMN,
        {"A": ("static_offset", 6.0, 3, "", 0, 0), "B": ("loose_link", 0.15e-3, 4, "one", 0, 0)},
    ),
    (
        80,
        AUTUMN,
        {"A": ("low_capacity", 0.05, 5, "", 0, 0), "B": ("loose_link", 1.0e-3, 7, "one", 30, 0)},
    ),
    (
        75,
        AUTUMN,
        {"A": ("low_capacity", 0.20, 1, "", 0, 0), "B": ("sense_lead", 0.010, 6, "", 10, 0)},
    ),
    (
        70,
        SPRING,
        {"A": ("high_resistance", 2.0, 2, "", 20, 20), "B": ("sense_lead", 0.030, 13, "", 20, 0)},
    ),
    (
        70,
        AUTUMN,
        {
            "A": ("loose_link", 0.4e-3, 11, "both", 25, 10),
            "B": ("temperature_sensor", 14.0, 2, "stuck", 15, 0),
        },
    ),
    (
        50,
        MIDWINTER,
        {"A": ("temperature_sensor", 6.0, 3, "bias", 15, 0), "B": ("heater_fault", 1.0, None, "", 20, 0)},
    ),
    (
        50,
        AUTUMN,
        {
            "A": ("temperature_sensor", -5.0, 1, "bias", 15, 0),
            "B": ("current_sensor", 0.5, None, "offset", 10, 0),
        },
    ),
    (
        50,
        SPRING,
        {
            "A": ("current_sensor", 1.5, None, "offset", 10, 0),
            "bank": ("lead_resistance", 0.7e-3, None, "", 15, 20),
        },
    ),
    (50, AUTUMN, {"B": ("current_sensor", 0.05, None, "gain", 10, 0)}),
    (50, AUTUMN, {"A": ("uneven_sharing", 3.0e-3, None, "", 0, 0)}),
    (50, SPRING, {"B": ("uneven_sharing", 8.0e-3, None, "", 15, 0)}),
    (60, AUTUMN, {"bank": ("lead_resistance", 2.0e-3, None, "", 15, 30)}),
    (
        50,
        MIDWINTER,
        {"A": ("heater_fault", 0.6, None, "", 15, 0), "B": ("cold_charging", 4.0, None, "", 0, 0)},
    ),
    (50, MIDWINTER, {"B": ("cold_charging", 8.0, None, "", 10, 0)}),
    (90, AUTUMN, {"A": ("balancing_behind", 0.012, None, "", 0, 0)}),
    (400, AUTUMN, {"B": ("capacity_fade", 0.08, None, "", 0, 0)}),
    (40, AUTUMN, {"bank": ("data_gap", 5.0, None, "", 0, 0)}),
)
_RIDGE_BANKS: tuple[_Bank, ...] = (
    (
        80,
        AUTUMN,
        {"A": ("low_capacity", 0.11, 3, "", 0, 0), "B": ("self_discharge", 0.020, 13, "", 10, 0)},
    ),
    (
        80,
        SPRING,
        {"A": ("self_discharge", 0.050, 5, "", 15, 0), "B": ("high_resistance", 1.0, 9, "", 20, 0)},
    ),
    (
        70,
        AUTUMN,
        {"A": ("static_offset", -8.0, 15, "", 0, 0), "B": ("loose_link", 0.4e-3, 6, "one", 20, 0)},
    ),
    (
        70,
        AUTUMN,
        {"A": ("sense_lead", 0.020, 8, "", 10, 0), "B": ("low_capacity", 0.20, 2, "", 0, 0)},
    ),
)
"""Sizes: A, Ah, fraction, Ω, V, °C, K, fraction a year, days; see `sample_data.bank`."""

_MESS = {"clean": CLEAN, "typical": TYPICAL, "rough": ROUGH}


def library() -> tuple[Case, ...]:
    """Return the faulty banks, on every physics and three kinds of telemetry in turn."""
    cases = []
    for number, (days, first, rows) in enumerate((*_BANKS, *_RIDGE_BANKS)):
        faults = tuple(
            Fault(kind, pack, cell, size, onset, ramp, variant)
            for pack, (kind, size, cell, variant, onset, ramp) in rows.items()
        )
        physics = (HILL, VALLEY)[number % 2] if number < len(_BANKS) else RIDGE
        scenario = place(1000 + number, physics=physics, faults=faults)
        kind = ("clean", "typical", "typical", "rough")[number % 4]
        cases.append(_case(scenario, first, days, kind))
    return tuple(cases)


def _case(scenario: Scenario, first: dt.date, days: int, mess: str) -> Case:
    kinds = {f.kind: f for f in scenario.faults}
    said = " + ".join(f"{f.kind} {f.size:g} {f.variant}".strip() for f in scenario.faults)
    lost: tuple[int, ...] = ()
    if "data_gap" in kinds:
        lost = tuple(range(20, 20 + int(kinds["data_gap"].size)))
    if "balancing_behind" in kinds:
        scenario = replace(scenario, packs=tuple(replace(p, balance_a=0.04) for p in scenario.packs))
    period = 10 if days < 200 else 30
    name = f"{scenario.chemistry.name} {mess}: {said}"
    return Case(name, scenario, first, days, _MESS[mess], period, lost)


def healthy() -> tuple[Case, ...]:
    """Return healthy banks: over two bank-years in seven places, on every physics and telemetry."""
    rows = (
        ("clean", HILL, AUTUMN, 120, 5.0),
        ("typical", HILL, MIDWINTER, 120, 4.0),
        ("rough", HILL, SPRING, 120, 7.0),
        ("clean", VALLEY, MIDWINTER, 120, 3.0),
        ("typical", VALLEY, AUTUMN, 130, 8.0),
        ("rough", VALLEY, AUTUMN, 120, 5.0),
        ("typical", RIDGE, AUTUMN, 120, 5.0),
    )
    cases = []
    for number, (mess, physics, first, days, mean_c) in enumerate(rows):
        scenario = place(2000 + number, physics=physics, winter_c=mean_c)
        cases.append(Case(f"healthy {physics.name} {mess} {first:%b}", scenario, first, days, _MESS[mess]))
    return tuple(cases)
