from dataclasses import replace

import numpy as np
import pytest

from analysis.daily.flow import observe_flow
from analysis.daily.hygiene import clean
from tests.analysis import made


def test_a_day_of_two_currents() -> None:
    # 12 h at −20 A and 12 h at 15 A: 240 and 180 Ah; 12 × 400 + 12 × 225 = 7500 A²h: hand calculation
    current = np.concatenate((np.full(4320, -20.0), np.full(4320, 15.0)))
    flow = observe_flow(clean(made.Pack(noise_a=0.0, soc=0.9).frame(0, current), made.FACTS))
    assert flow.total.ah_out == pytest.approx(240, rel=1e-3)
    assert flow.total.ah_in == pytest.approx(180, rel=1e-3)
    assert flow.i2t_a2h == pytest.approx(7500, rel=1e-3)
    assert flow.i2t_in_a2h == pytest.approx(2700, rel=1e-3)
    assert (flow.max_charge_a, flow.max_discharge_a) == (15.0, 20.0)
    assert flow.positive_s == pytest.approx(43200, abs=20)
    assert flow.negative_s == pytest.approx(43200, abs=20)
    assert flow.gap_ah == 0


def test_what_a_gap_may_hide() -> None:
    frame = made.Pack(noise_a=0.0).frame(0, np.full(8640, -18.0))
    keep = np.ones(8640, dtype=bool)
    keep[1000:1359] = False  # an hour between the samples on both sides
    cut = frame.only(keep)
    assert observe_flow(clean(cut, made.FACTS)).gap_ah == pytest.approx(18.0)


def test_an_empty_day_flows_nothing() -> None:
    flow = observe_flow(clean(made.Pack().frame(0, np.zeros(0)), made.FACTS))
    assert flow.total.ah_in == flow.total.ah_out == flow.i2t_a2h == flow.gap_ah == 0
    assert flow.max_charge_a == flow.max_discharge_a == 0


def test_a_peak_that_no_other_reading_bears_out_is_not_the_largest_current() -> None:
    # A misread register of −327.68 A among −20 A, and a true load of −60 A that lasts for a minute.
    current = np.full(8640, -20.0)
    current[2000:2006] = -60.0
    frame = made.Pack(noise_a=0.0, soc=0.9).frame(0, current)
    frame.pack_a[5000] = -327.68
    day = replace(clean(frame, made.FACTS), frame=frame)  # as if it had got through
    assert observe_flow(day).max_discharge_a == pytest.approx(60.0)
