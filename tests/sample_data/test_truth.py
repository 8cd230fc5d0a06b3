import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

from sample_data.cell import VALLEY
from sample_data.history import PackTruth
from sample_data.truth import falls_behind_a, median_ohm, missing_h, round_trip, usable_ah

ZEROS = (0.0,) * 4
PACK = PackTruth((280.0,) * 4, ZEROS, (0.2e-3,) * 4, (140.0,) * 4, *([0.0] * 11))


def test_usable_is_from_the_first_full_cell_to_the_first_empty_one() -> None:
    # Cell 2 is empty after 100 Ah, cell 1 full after 30 Ah more: 130 Ah.
    pack = replace(PACK, charge_ah=(250.0, 100.0, 140.0, 140.0))
    assert usable_ah(pack) == pytest.approx(130.0)


def test_round_trip_counts_what_is_stored_more_at_the_end() -> None:
    # 1000 Wh in, 800 Wh out, and 10 Ah more in each of four cells near 3.29 V: (800 + 131.6) / 1000.
    after = replace(PACK, charge_ah=(150.0,) * 4, wh_in=1000.0, wh_out=800.0)
    volts = float(VALLEY.equilibrium(np.array([145 / 280]))[0])
    assert 3.2 < volts < 3.35
    assert round_trip([PACK, after], VALLEY) == pytest.approx((800 + 40 * volts) / 1000)


def test_resistance_grows_with_its_time_base() -> None:
    # 0.2 mΩ + 0.10 mΩ (1 − e⁻¹) after 18 s, the pair's time constant, + 0.14 mΩ (1 − e^(−18/700)).
    assert median_ohm(PACK, VALLEY, 18.0) == pytest.approx(0.2e-3 + 0.0632e-3 + 0.00355e-3, rel=1e-3)


def test_a_cell_that_loses_24_mah_an_hour_more_falls_behind_by_24_ma() -> None:
    days = [
        (dt.date(2025, 10, 1 + n), replace(PACK, charge_ah=(140.0, 140.0, 140.0 - 0.576 * n, 140.0)))
        for n in range(10)
    ]
    assert falls_behind_a(days, 3) == pytest.approx(0.024)
    assert falls_behind_a(days, 1) == pytest.approx(0.0, abs=1e-12)


def test_missing_hours_are_gaps_and_days_without_any_reading() -> None:
    # A day of 10 s readings with two hours cut out, and a day without any: 26 h.
    day, empty = dt.date(2025, 10, 1), dt.date(2025, 10, 2)
    times = np.arange(0, 86400, 10.0)
    kept = times[(times < 36000) | (times >= 43200)] * 1000.0
    bounds = {day: (0.0, 86400.0), empty: (86400.0, 172800.0)}
    assert missing_h({day: kept}, bounds) == pytest.approx(26.0, abs=0.01)
