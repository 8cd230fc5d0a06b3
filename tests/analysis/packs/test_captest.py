"""The guided capacity test on discharges whose charge is known by hand: current × time."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.facts import PackFacts
from analysis.packs.captest import CapReading, CapState, CapStep, advance, cut_off

FACTS = PackFacts("A", rated_ah=280)


def reading(
    t: float, amps: float, volts: float, lowest: float | None = None, temp: float = 21.0
) -> CapReading:
    return CapReading(t, amps, 16 * volts, volts, lowest if lowest is not None else volts, temp)


def run(readings: list[CapReading], state: CapState | None = None) -> CapStep:
    step = None
    for one in readings:
        step = advance(state or CapState(), one, FACTS)
        state = step.state
    assert step is not None
    return step


def full(start: float = 0.0) -> list[CapReading]:
    return [reading(start + 10 * i, 3.0, 3.46) for i in range(20)]


def rest(start: float, seconds: float = 3700) -> list[CapReading]:
    return [reading(start + 60 * i, 0.0, 3.34) for i in range(int(seconds / 60))]


def discharge(start: float, amps: float, hours: float, *, temp: float = 21.0) -> list[CapReading]:
    n = int(hours * 360)
    out = [reading(start + 10 * i, -amps, 3.25, temp=temp) for i in range(n + 1)]
    end = start + 10 * n
    return out + [reading(end + 10 * i, -amps, 2.80, 2.70, temp) for i in range(1, 4)]


def test_accepts_a_steady_discharge() -> None:
    step = run(full() + rest(300) + discharge(4100, 56, 4.95))
    assert step.state.phase == "done"
    assert step.capacity is not None
    assert step.capacity.value is not None
    # 56 A × (4.95 h + 30 s) = 277.67 Ah counted; from full to 1.3 % left: / 0.987.
    assert step.state.ah == pytest.approx(56 * (4.95 + 30 / 3600), rel=5e-3)
    assert step.capacity.value == pytest.approx(step.state.ah / 0.987)
    assert step.capacity.low is not None
    assert step.capacity.low < 279.9 < (step.capacity.high or 0)
    assert step.energy is not None
    assert not step.state.reasons


def test_says_what_to_do() -> None:
    assert "Charge the pack" in run([reading(0, 40, 3.35)]).say
    assert "rest for" in run(full() + rest(300, 600)).say
    assert "steady load" in run(full() + rest(300)).say
    assert "lowest cell" in run(full() + rest(300) + discharge(4100, 56, 1)[:100]).say


def test_rejects_missing_readings() -> None:
    parts = discharge(4100, 56, 4.9)
    step = run(full() + rest(300) + parts[:600] + parts[1000:])
    assert step.state.phase == "rejected"
    assert "missing" in step.say


def test_rejects_charging_in_between() -> None:
    parts = discharge(4100, 56, 2)[:-3]
    back = [reading(parts[-1].time_s + 10 * i, 60, 3.35) for i in range(1, 60)]
    step = run(full() + rest(300) + parts + back)
    assert step.state.phase == "rejected"
    assert "put back" in step.say


def test_rejects_a_fast_discharge() -> None:
    assert run(full() + rest(300) + discharge(4100, 150, 1.8)).state.phase == "rejected"


def test_accepts_the_cold_with_a_warning() -> None:
    step = run(full() + rest(300) + discharge(4100, 56, 4.5, temp=4.0))
    assert step.state.phase == "done"
    assert any("4 °C" in reason for reason in step.state.reasons)


def test_protection_may_end_it() -> None:
    parts = discharge(4100, 56, 4.9)[:-3]
    parts[-1] = replace(parts[-1], lowest_v=2.9)
    state = run(full() + rest(300) + parts).state
    assert cut_off(state, FACTS).phase == "done"
    early = run(full() + rest(300) + discharge(4100, 56, 2)[:-3]).state
    assert cut_off(early, FACTS).phase == "rejected"


def test_waiting_too_long_starts_over() -> None:
    assert run(full() + rest(300, 7 * 3600)).state.phase == "charge"


@settings(max_examples=30, deadline=None)
@given(st.lists(st.tuples(st.floats(0, 400), st.floats(-200, 200), st.floats(2.4, 3.7)), max_size=60))
def test_any_readings_keep_it_sane(rows: list[tuple[float, float, float]]) -> None:
    t, state = 0.0, CapState()
    for dt, amps, volts in rows:
        t += dt
        step = advance(state, reading(t, amps, volts), FACTS)
        state = step.state
        assert 0 <= step.progress <= 1.01
        assert step.say
