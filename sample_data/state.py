"""The state of a simulated bank between two instants: plain numbers that can be saved and taken up again."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sample_data.bank import Scenario, bank_day, start_charge

Array = NDArray[np.float64]


@dataclass(slots=True)
class PackState:
    """One pack.

    Attributes
    ----------
    charge_ah : array, shape (n_cells,)
        Charge in each cell. [Ah]
    rc_a : list of float
        Current through the resistor of each RC pair. [A]
    branch : float
        Hysteresis, −1 (discharge branch) to 1 (charge branch).
    mid_c, end_c, plate_c, coldest_c : float
        Inner cells, outer cells, heater plate, and the coldest cell sensor as shown. [°C]
    heater, charge_ok, discharge_ok : bool
        What the pack's own electronics have switched.
    trip : int
        0, or the number of the cell that opened a protection.
    soc : float
        What the pack believes. [1]
    """

    charge_ah: Array
    rc_a: list[float] = field(default_factory=lambda: [0.0, 0.0])
    branch: float = 0.0
    mid_c: float = 8.0
    end_c: float = 8.0
    plate_c: float = 8.0
    coldest_c: float = 8.0
    heater: bool = False
    charge_ok: bool = True
    discharge_ok: bool = True
    high_trip: int = 0
    low_trip: int = 0
    cold: bool = False
    soc: float = 0.5
    cell_v: list[float] = field(default_factory=list)
    amps: float = 0.0


@dataclass(slots=True)
class BankState:
    """The bank, its inverter and the room they stand in.

    Attributes
    ----------
    first_day, day : str
        Local dates of the first day ever and of the day last begun.
    hall_c : float
        Air of the room. [°C]
    stage : str
        "bulk", "absorb" or "float".
    soc_seen : float
        What the inverter believes. [1]
    grid, helped : bool
        Whether the grid carries the house, and whether it charges the bank.
    full_ago_s, tail_s : float
        Since the last full charge, and how long the current has been tapered. [s]
    bus_v : float
        Voltage of the common busbar. [V]
    """

    packs: list[PackState]
    first_day: str = ""
    day: str = ""
    hall_c: float = 8.0
    stage: str = "bulk"
    tail_s: float = 0.0
    soc_seen: float = 0.5
    grid: bool = False
    helped: bool = False
    full_ago_s: float = 0.0
    bus_v: float = 52.0


def initial(scenario: Scenario, hall_c: float = 8.0, soc: float = 0.55) -> BankState:
    """Return the bank as delivered: all packs at one state of charge, cells scattered by their seeds."""
    bank = bank_day(scenario, 0)
    packs = []
    for spec, pack in zip(scenario.packs, bank.packs, strict=True):
        # Cells leave the factory aligned at the top: equal charge missing to full.
        missing = spec.rated_ah * (1 - soc)
        charge = pack.capacity_ah - missing + start_charge(spec)
        state = PackState(charge, mid_c=hall_c, end_c=hall_c, plate_c=hall_c, coldest_c=hall_c, soc=soc)
        state.cell_v = [3.3] * spec.n_cells
        state.heater = hall_c < spec.heater_on_c
        state.cold = hall_c <= spec.charge_floor_c
        state.charge_ok = not state.cold
        packs.append(state)
    return BankState(packs, hall_c=hall_c, soc_seen=soc)


def save(state: BankState, path: Path, *, time_s: float) -> None:
    """Write the state and the instant it belongs to [UTC epoch s] as JSON."""
    packs = [
        {name: getattr(p, name) for name in PackState.__slots__ if name != "charge_ah"}
        | {"charge_ah": [float(q) for q in p.charge_ah]}
        for p in state.packs
    ]
    plain = {name: getattr(state, name) for name in BankState.__slots__ if name != "packs"}
    path.write_text(json.dumps({"time_s": time_s, **plain, "packs": packs}, indent=1), encoding="utf-8")


def load(path: Path) -> tuple[BankState, float]:
    """Read back what `save` wrote: the state and its instant [UTC epoch s].

    Raises
    ------
    ValueError
        If the file is not such a state.
    """
    try:
        plain = json.loads(path.read_text(encoding="utf-8"))
        time_s = float(plain.pop("time_s"))
        packs = [
            PackState(**{**p, "charge_ah": np.asarray(p["charge_ah"], float)}) for p in plain.pop("packs")
        ]
        return BankState(packs, **plain), time_s
    except (KeyError, TypeError, json.JSONDecodeError) as error:
        raise ValueError(f"{path} is not the saved state of a simulated bank: {error!r}") from error
