import numpy as np
import pytest

from analysis.daily.hygiene import clean
from analysis.daily.usage import C_EDGES, T_EDGES, observe_usage
from tests.analysis import made


def test_times_add_up_to_the_covered_time() -> None:
    pack = made.Pack()
    day = clean(pack.frame(0, made.day_current(pack)), made.FACTS)
    usage = observe_usage(day)
    for times in (usage.temp_s, usage.charge_s):
        assert sum(times) == pytest.approx(day.coverage.covered_s, abs=31)
    assert sum(usage.c_rate_s) == pytest.approx(day.coverage.covered_s, abs=31)
    assert len(usage.c_rate_s) == len(C_EDGES) + 1
    assert usage.temp_s[T_EDGES.index(15.0) + 1] == pytest.approx(day.coverage.covered_s, abs=31)


def test_a_day_between_two_states_of_charge_spends_its_time_there() -> None:
    current = np.concatenate((np.full(4320, -14.0), np.full(4320, 14.0)))  # 60 % of 280 Ah down and up
    pack = made.Pack(soc=0.9)
    usage = observe_usage(clean(pack.frame(0, current), made.FACTS))
    assert usage.charge_first == pytest.approx(-30, abs=1)  # 2 % a bin
    middle = usage.charge_s[5:25]
    assert np.allclose(
        middle, 2 * 0.02 * 280 / 14 * 3600, rtol=0.05
    )  # twice through each bin: hand calculation


def test_turns_hold_the_days_ends() -> None:
    current = np.concatenate((np.full(4320, -14.0), np.full(4320, 7.0)))
    usage = observe_usage(clean(made.Pack(noise_a=0.0).frame(0, current), made.FACTS))
    assert usage.turns_ah[0] == 0
    assert usage.turns_ah[1] == pytest.approx(-168, abs=0.1)
    assert usage.turns_ah[-1] == pytest.approx(-84, abs=0.2)
    assert usage.cycles_ah == ()


def test_an_empty_day_counts_nothing() -> None:
    usage = observe_usage(clean(made.Pack().frame(0, np.zeros(0)), made.FACTS))
    assert sum(usage.c_rate_s) == 0
    assert usage.charge_s == ()
    assert np.isnan(usage.temp_min_c)
