"""A fleet over a year: many banks in different places, of different ages and climates, some with a fault.

A number of banks, the bases, are simulated for the whole time. Every other bank is one of them: a twin, one
that stopped sending, or a branch that was a base until, some weeks before the end, a fault of the library
began. The simulation is deterministic: a branch is the bank that was to have this fault from the first day.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from sample_data.bank import Fault, Scenario
from sample_data.cell import HILL, RIDGE, VALLEY
from sample_data.faults import place
from sample_data.telemetry import CLEAN, Mess

State = Literal["well", "twin", "fault", "worn", "draughty", "silent"]
FADE_A_YEAR = 0.015
"""What the cells of every bank have lost by age before the record begins. [1/a]"""
WORN = 0.12
"""What a worn bank has lost beyond that. [1]"""
DRAUGHT = 2.2
"""Factor on the heat loss of a pack in a draughty room."""
BRANCH_DAYS = (98, 70, 42, 21)
"""How long before the end a fault begins, or a bank falls silent. [d]"""
EVERYDAY = Mess(
    gain=1.004, offset_a=0.05, dead_band_a=0.1, gaps_a_day=0.5, stuck_a_day=0.3, glitches_a_day=2.0
)
"""Telemetry of half the banks; the others' is clean."""
_TWENTY: tuple[State, ...] = ("twin",) * 16 + ("fault",) * 3 + ("silent",)
_EIGHT: tuple[State, ...] = ("well",) * 6 + ("worn", "draughty")
# kind, size, variant, ramp in days
_FAULTS: tuple[tuple[str, float, str, float], ...] = (
    ("self_discharge", 0.025, "", 0),
    ("low_capacity", 0.12, "", 14),
    ("heater_fault", 1.0, "", 0),
    ("high_resistance", 1.0, "", 14),
    ("self_discharge", 0.060, "", 0),
    ("loose_link", 0.8e-3, "one", 10),
    ("temperature_sensor", 6.0, "bias", 0),
    ("lead_resistance", 2.0e-3, "", 14),
    ("static_offset", -12.0, "", 0),
    ("current_sensor", 1.5, "offset", 0),
    ("cold_charging", 6.0, "", 0),
    ("sense_lead", 0.03, "", 0),
)
_OF_THE_PACK = frozenset(("heater_fault", "lead_resistance", "current_sensor", "cold_charging"))


@dataclass(frozen=True, slots=True)
class Member:
    """One bank of a fleet.

    Attributes
    ----------
    name : str
    scenario : Scenario
        The place, with its fault.
    mess : Mess
        Its telemetry.
    installed : datetime.date
        The day it went into service.
    state : {"well", "twin", "fault", "worn", "draughty", "silent"}
        The hidden truth.
    base : int
        Number of the bank whose past it shares; its own if it is a base.
    branch_days : int
        How long before the end it leaves that past; 0 for a base or a twin. [d]
    """

    name: str
    scenario: Scenario
    mess: Mess
    installed: dt.date
    state: State
    base: int
    branch_days: int


def fleet(count: int, bases: int, first_day: dt.date, days: int, *, seed: int = 5) -> tuple[Member, ...]:
    """Return a fleet.

    Parameters
    ----------
    count : int
        Banks in all.
    bases : int
        How many of them are simulated for the whole time; the more, the more different the fleet.
    first_day : datetime.date
    days : int
        Length of the record.
    seed : int
    """
    made = [_base(number, first_day, seed) for number in range(min(bases, count))]
    well = [number for number, m in enumerate(made) if m.state == "well"]
    for number in range(len(made), count):
        made.append(_other(number, made[well[number % len(well)]], well[number % len(well)], days, seed))
    return tuple(made)


def _base(number: int, first_day: dt.date, seed: int) -> Member:
    rng = np.random.default_rng([seed, 1000 + number])
    state = _EIGHT[number % len(_EIGHT)]
    physics = (HILL, VALLEY, RIDGE)[int(rng.integers(3))]
    scenario = place(5000 + number, physics=physics, winter_c=float(rng.uniform(3.0, 10.0)))
    age_years = float(rng.uniform(0.3, 8.0))
    kept = (1 - FADE_A_YEAR * age_years) * (1 - WORN if state == "worn" else 1.0)
    draught = DRAUGHT if state == "draughty" else 1.0
    packs = tuple(
        replace(p, capacity_ah=p.capacity_ah * kept, insulation=p.insulation * draught)
        for p in (scenario.packs if number % 8 == 3 else scenario.packs[:1])
    )
    return Member(
        name=f"bank{number:03d}",
        scenario=replace(scenario, packs=packs, block_s=120),
        mess=CLEAN if number % 2 else EVERYDAY,
        installed=first_day - dt.timedelta(days=round(365.25 * age_years)),
        state=state,
        base=number,
        branch_days=0,
    )


def _other(number: int, base: Member, base_number: int, days: int, seed: int) -> Member:
    order = np.random.default_rng([seed, number // 20]).permutation(len(_TWENTY))
    state = _TWENTY[int(order[number % 20])]
    rng = np.random.default_rng([seed, 5000 + number])
    ago = 0 if state == "twin" else int(rng.choice(BRANCH_DAYS))
    scenario = base.scenario
    if state == "fault":
        scenario = replace(scenario, faults=(_fault(number, days - ago, rng),))
    return replace(
        base, name=f"bank{number:03d}", scenario=scenario, state=state, base=base_number, branch_days=ago
    )


def _fault(number: int, onset: int, rng: np.random.Generator) -> Fault:
    kind, size, variant, ramp = _FAULTS[number % len(_FAULTS)]
    cell = int(rng.integers(1, 16))
    if kind == "temperature_sensor":
        cell = 1 + cell % 4
    where = "bank" if kind == "lead_resistance" else "A"
    return Fault(kind, where, None if kind in _OF_THE_PACK else cell, size, onset, ramp, variant)
