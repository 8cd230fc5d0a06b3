"""Takes down what the engine does, block by block, as the arrays that the instruments read."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sample_data.bank import Scenario
from sample_data.engine import Engine, Step, Trip
from sample_data.sensing import BankCourse, PackCourse

Array = NDArray[np.float64]


@dataclass(slots=True)
class Log:
    """Lists that grow block by block."""

    steps: list[Step] = field(default_factory=list)
    before: list[list[tuple[float, ...]]] = field(default_factory=list)
    charge: list[list[Array]] = field(default_factory=list)
    seen: list[tuple[float, float]] = field(default_factory=list)
    trips: list[tuple[int, Trip]] = field(default_factory=list)


def advance(engine: Engine, log: Log, block_s: float, pv_w: float, load: float, air_c: float) -> None:
    """Step the bank once, and take down the state before and what happened."""
    state = engine.state
    log.charge.append([p.charge_ah for p in state.packs])
    log.before.append(
        [
            (*p.rc_a, p.branch, p.mid_c, p.end_c, p.soc, p.heater, p.charge_ok, p.discharge_ok)
            for p in state.packs
        ]
    )
    log.seen.append((state.soc_seen, state.hall_c))
    step = engine.step(block_s, pv_w, load, air_c)
    log.trips.extend((len(log.steps), trip) for trip in step.trips)
    log.steps.append(step)


def course(
    scenario: Scenario, log: Log, sun: Array, load: Array, times: NDArray[np.int64], period_s: float
) -> BankCourse:
    """Turn what was taken down into arrays.

    Parameters
    ----------
    scenario : Scenario
        The place.
    log : Log
        K blocks; its last `charge` is that after the last block.
    sun, load : array, shape (K, samples in a block)
        Power the sun offered, and the house's load, at every sample. [W]
    times : array, shape (K × samples in a block,)
        UTC epoch. [ms]
    period_s : float
        Between samples. [s]
    """
    bus_v = np.array([s.bus_v for s in log.steps])
    wanted = 0.97 * sun - load / scenario.inverter.efficiency
    quick = (wanted - wanted.mean(axis=1, keepdims=True)) / bus_v[:, None]
    seen = np.array(log.seen)
    packs = [_pack_course(log, k) for k in range(len(scenario.packs))]
    return BankCourse(
        packs=packs,
        time_ms=times,
        sub=sun.shape[1],
        period_s=period_s,
        bus_v=bus_v,
        free=np.array([s.free for s in log.steps]),
        quick_a=quick,
        ac_w=load.reshape(-1),
        soc_seen=seen[:, 0],
        hall_c=seen[:, 1],
    )


def _pack_course(log: Log, k: int) -> PackCourse:
    before = np.array([b[k] for b in log.before], dtype=float)
    steps = [s.packs[k] for s in log.steps]
    after = np.array([(s.bus_a, s.share, s.bus_a - s.cell_a, s.limit_a) for s in steps])
    bits = np.array([(s.balancing, s.warnings, s.protections) for s in steps], dtype=np.int64)
    flags = before[:, 6:9].astype(np.int64)
    return PackCourse(
        charge_ah=np.array([c[k] for c in log.charge]),
        bus_a=after[:, 0],
        share=after[:, 1],
        drawn_a=after[:, 2],
        rc_a=before[:, 0:2],
        branch=before[:, 2],
        mid_c=before[:, 3],
        end_c=before[:, 4],
        soc=before[:, 5],
        limit_a=after[:, 3],
        heater=flags[:, 0],
        charge_ok=flags[:, 1],
        discharge_ok=flags[:, 2],
        balancing=bits[:, 0],
        warnings=bits[:, 1],
        protections=bits[:, 2],
    )
