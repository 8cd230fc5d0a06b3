"""An electrochemical model of a cell as an independent truth: capacity, resistance and round trip.

PyBaMM solves a single-particle model with electrolyte for the graphite against iron-phosphate cell of Prada
et al. (J. Electrochem. Soc. 160 (2013) A616). Its current and voltage, of sixteen such cells in series and as
many in parallel as make 280 Ah, go through the digest as if a pack had reported them; what the analysis says
is held against PyBaMM's own integrals of charge and energy and its own steps of voltage.

PyBaMM is no dependency of ours, so the default run skips this. To run it (about half a minute):

    python -m venv /tmp/pybamm-env
    /tmp/pybamm-env/bin/pip install -e . pytest hypothesis pybamm
    /tmp/pybamm-env/bin/python -m pytest tests/reference/test_pybamm.py -m slow
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest

from analysis.cells.resistance import resistance
from analysis.digest import DayDigest, digest
from analysis.facts import PackFacts
from analysis.frame import F64, Frame
from analysis.history import History
from analysis.packs.capacity import capacity
from analysis.packs.efficiency import efficiency
from tests.analysis.made import with_lead

pybamm: Any = pytest.importorskip("pybamm", reason="PyBaMM is not installed: pip install pybamm")
pytestmark = [pytest.mark.slow, pytest.mark.filterwarnings("default")]

PERIOD_S = 10.0
FACTS = PackFacts("A", rated_ah=280.0, cell_low_trip_v=2.5)
DAY0 = 1_760_000_400.0 - 1_760_000_400.0 % 86400.0


@dataclass(frozen=True)
class Course:
    """What PyBaMM says of the pack: time [s], current (positive charges) [A], voltage of one cell [V]."""

    time_s: F64
    current_a: F64
    cell_v: F64


@pytest.fixture(scope="module")
def course() -> Course:
    """Four days of full cycles at C/5, with switched loads on the way down."""
    down = ("Discharge at C/6 for 20 minutes", "Discharge at C/3 for 10 minutes") * 6
    cycle = (
        *down,
        "Discharge at C/5 until 2.5 V",
        "Rest for 2 hours",
        "Charge at C/5 until 3.55 V",
        "Hold at 3.55 V until C/50",
        "Rest for 7 hours",
    )
    start = ("Charge at C/5 until 3.55 V", "Hold at 3.55 V until C/50", "Rest for 5 hours")
    experiment = pybamm.Experiment([*start, *(cycle * 4)], period=f"{PERIOD_S:g} seconds")
    values = pybamm.ParameterValues("Prada2013")
    simulation = pybamm.Simulation(pybamm.lithium_ion.SPMe(), parameter_values=values, experiment=experiment)
    solution = simulation.solve(initial_soc=0.5)
    time_s = np.asarray(solution["Time [s]"].entries, dtype=np.float64)
    kept = np.concatenate(([True], np.diff(time_s) > 1e-6))  # a step's end and the next one's start
    parallel = 280.0 / float(values["Nominal cell capacity [A.h]"])
    current = -np.asarray(solution["Current [A]"].entries, dtype=np.float64) * parallel
    return Course(
        time_s[kept], current[kept], np.asarray(solution["Voltage [V]"].entries, dtype=np.float64)[kept]
    )


@pytest.fixture(scope="module")
def history(course: Course) -> History:
    rng = np.random.default_rng(4)
    grid = np.arange(0.0, course.time_s[-1], PERIOD_S)
    at = np.clip(np.searchsorted(course.time_s, grid, side="right") - 1, 0, course.time_s.size - 1)
    amps, volts = course.current_a[at], np.interp(grid, course.time_s, course.cell_v)
    digests: list[DayDigest] = []
    before: Frame | None = None
    for number in range(int(grid[-1] // 86400)):
        own = (grid >= 86400.0 * number) & (grid < 86400.0 * (number + 1))
        cells = volts[own] + 0.0005 * rng.standard_normal((16, int(own.sum())))
        start = DAY0 + 86400.0 * number
        frame = Frame(
            pack="A",
            day=str(np.datetime64("2025-10-09") + number),
            start_s=start,
            end_s=start + 86400.0,
            lead=0,
            time_s=start + grid[own] - 86400.0 * number,
            pack_v=np.round(16 * volts[own], 2).astype(np.float32),
            pack_a=np.round(amps[own] + 0.05 * rng.standard_normal(int(own.sum())), 1).astype(np.float32),
            cells_v=np.round(cells, 3).astype(np.float32),
            temps_c=np.full((4, int(own.sum())), 25.0, dtype=np.float32),
            extra={},
        )
        digests.append(digest(frame if before is None else with_lead(frame, before), FACTS))
        before = frame
    return History.of(FACTS, digests)


def discharges(course: Course) -> list[tuple[int, int]]:
    """First and last sample of every discharge from full to 2.5 V."""
    low = np.flatnonzero(course.cell_v < 2.505)
    ends = low[np.concatenate((np.diff(low) > 1000, [True]))]
    spans = []
    for end in ends.tolist():
        charged = np.flatnonzero(course.current_a[:end] > 0)
        spans.append((int(charged[-1]) + 1, end))
    return spans


def test_capacity_is_the_models_own(course: Course, history: History) -> None:
    counted = [
        -float(np.trapezoid(course.current_a[a : b + 1], course.time_s[a : b + 1])) / 3600
        for a, b in discharges(course)
    ]
    truth = float(np.mean(counted))
    said = capacity(history).usable
    assert said.value is not None
    assert said.low is not None
    assert said.high is not None
    assert said.value == pytest.approx(truth, rel=0.02)
    assert said.low <= truth <= said.high


def test_resistance_is_the_models_own_step_of_voltage(course: Course, history: History) -> None:
    found = resistance(history)
    assert found.median.value is not None
    steps = []
    for k in np.flatnonzero(np.abs(np.diff(course.current_a)) > 0.1 * 280).tolist():
        after = int(np.searchsorted(course.time_s, course.time_s[k + 1] + found.base_s))
        calm = abs(course.current_a[after] - course.current_a[k + 1]) < 0.5
        if (
            calm
            and 3.15 < course.cell_v[k] < 3.35
            and course.current_a[k] < 0
            and course.current_a[k + 1] < 0
        ):
            dv = course.cell_v[after] - course.cell_v[k]
            steps.append(dv / (course.current_a[k + 1] - course.current_a[k]))
    assert len(steps) >= 20
    assert found.median.value == pytest.approx(float(np.median(steps)), rel=0.1)


def test_round_trip_is_the_models_own_integral(course: Course, history: History) -> None:
    # From the end of one tapered charge to the end of a later one: Σ V I dt out over in.
    starts = [a for a, _ in discharges(course)]
    inside = slice(starts[0], starts[-1])
    watts = 16 * course.cell_v[inside] * course.current_a[inside]
    time_s = course.time_s[inside]
    put_in = float(np.trapezoid(np.clip(watts, 0, None), time_s))
    truth = float(np.trapezoid(np.clip(-watts, 0, None), time_s)) / put_in
    said = efficiency(history).round_trip
    assert said.value is not None
    assert said.low is not None
    assert said.high is not None
    assert said.value == pytest.approx(truth, abs=0.005)
    assert said.low <= truth <= said.high
