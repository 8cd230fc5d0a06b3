import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

from analysis.finding import KINDS
from analysis.frame import F64
from sample_data.bank import Fault, bank_day, with_faults
from sample_data.faults import healthy, library, place, record
from sample_data.history import SimDay, simulate
from sample_data.orchard import ORCHARD

COLD = dt.date(2025, 12, 20)


def test_every_kind_is_there_and_the_big_families_in_several_sizes_and_on_every_physics() -> None:
    cases = library()
    assert {f.kind for c in cases for f in c.faults} == set(KINDS)
    sizes = {kind: {f.size for c in cases for f in c.faults if f.kind == kind} for kind in KINDS}
    assert all(
        len(sizes[k]) >= 3 for k in ("self_discharge", "low_capacity", "high_resistance", "loose_link")
    )
    assert {c.scenario.chemistry.name for c in cases} == {"hill", "valley", "ridge"}
    assert len({c.name for c in cases}) == len(cases)


def test_healthy_banks_have_no_fault_and_make_two_bank_years() -> None:
    cases = healthy()
    assert not any(c.faults for c in cases)
    assert sum(c.days for c in cases) >= 2 * 365


def test_a_fault_ramps_up_and_stays() -> None:
    fault = Fault("self_discharge", "A", 3, 0.02, onset_day=10, ramp_days=5)
    assert [fault.at(d) for d in (9, 10, 12, 14, 40)] == pytest.approx([0, 0.004, 0.012, 0.02, 0.02])


def test_lost_days_are_empty_and_records_repeat() -> None:
    case = replace(library()[1], days=2, lost=(1,), period_s=60)
    case = replace(case, scenario=replace(case.scenario, block_s=60))
    first, second = record(case)
    assert first.tables["A"].num_rows > 0
    assert second.tables == {}
    assert next(iter(record(case))).tables["B"].equals(first.tables["B"])


def one_day(*faults: Fault, day: dt.date = COLD) -> SimDay:
    scenario = replace(with_faults(ORCHARD, *faults), block_s=60)
    return next(iter(simulate(scenario, day, 1, period_s=60)))


def cell_mv(day: SimDay, pack: str, cell: int) -> F64:
    return np.asarray(day.tables[pack][f"cell_{cell:02d}_v"].to_numpy(), dtype=float)


def test_a_loose_link_shows_with_the_current_and_a_sense_lead_without() -> None:
    plain = one_day()
    loose = one_day(Fault("loose_link", "A", 5, 1e-3, variant="one"))
    lead = one_day(Fault("sense_lead", "A", 5, 0.03))
    amps = plain.tables["A"]["pack_a"].to_numpy() / 100
    rise = cell_mv(loose, "A", 5) - cell_mv(plain, "A", 5)
    # About 1 mΩ × current = 1 mV/A (the size wobbles by a quarter from day to day).
    assert 0.5 < np.polyfit(amps, rise, 1)[0] < 2.0
    up = np.median(cell_mv(lead, "A", 5) - cell_mv(plain, "A", 5))
    down = np.median(cell_mv(lead, "A", 6) - cell_mv(plain, "A", 6))
    assert up == pytest.approx(-down, abs=2)
    assert 10 < up < 60


def test_a_dead_heater_leaves_the_pack_cold_although_commanded() -> None:
    plain, dead = one_day(), one_day(Fault("heater_fault", "A", None, 1.0))
    assert dead.truth.packs["A"].heater_wh == 0
    assert dead.tables["A"]["heater_on"].to_numpy().mean() > plain.tables["A"]["heater_on"].to_numpy().mean()
    assert dead.truth.packs["A"].warmest_c < plain.truth.packs["A"].warmest_c - 5


def test_unequal_leads_shift_the_current_to_the_other_pack() -> None:
    day = one_day(Fault("uneven_sharing", "A", None, 8e-3))
    a, b = (np.abs(day.tables[p]["pack_a"].to_numpy()).sum() for p in "AB")
    assert a < 0.9 * b


def test_a_lead_that_loosens_drops_voltage_before_the_inverter() -> None:
    day = one_day(Fault("lead_resistance", "bank", None, 2e-3))
    volts = day.witness["hall"]["dc_v"].to_numpy() / 100
    amps = day.witness["hall"]["dc_a"].to_numpy() / 100
    pack = day.tables["A"]["pack_v"].to_numpy() / 100
    heavy = np.abs(amps) > 30
    slope = np.polyfit(amps[heavy], (volts - pack)[heavy], 1)[0]
    # 0.65 + 2 mΩ of the lead, and half of 1.2 mΩ from terminal to busbar at half the current
    assert slope == pytest.approx(2.65e-3 + 0.6e-3, rel=0.1)


def test_capacity_fades_by_the_year() -> None:
    scenario = with_faults(place(1), Fault("capacity_fade", "B", None, 0.1))
    new, old = (bank_day(scenario, d).packs[1].capacity_ah.mean() for d in (0, 365))
    assert old / new == pytest.approx(0.9, abs=0.001)
