import datetime as dt
from dataclasses import replace

import numpy as np
import pyarrow as pa
import pytest

from adapters.channels import CATALOGUE
from sample_data.history import simulate
from sample_data.orchard import ORCHARD
from sample_data.telemetry import CLEAN, ROUGH, TYPICAL, Mess, messy


@pytest.fixture(scope="module")
def table() -> pa.Table:
    return next(iter(simulate(ORCHARD, dt.date(2026, 11, 10), 1, period_s=5))).tables["A"]


def test_clean_changes_nothing(table: pa.Table) -> None:
    assert messy(table, CLEAN, (1,)).equals(table)


def test_gain_offset_and_dead_band(table: pa.Table) -> None:
    out = messy(table, Mess(gain=1.01, offset_a=0.2, dead_band_a=1.0), (1,))
    before, after = (t["pack_a"].to_numpy() / 100 for t in (table, out))
    expected = 1.01 * before + 0.2
    assert np.abs(after - np.where(np.abs(expected) < 1.0, 0, expected)).max() <= 0.0051


def test_coarser_sampling_and_absent_channels(table: pa.Table) -> None:
    out = messy(table, Mess(period_s=60, absent=("heater_on",)), (1,))
    assert out.num_rows == 1440
    assert "heater_on" not in out.column_names


def test_gaps_stuck_doubled_are_there_in_the_numbers_asked_for(table: pa.Table) -> None:
    out = messy(table, Mess(gaps_a_day=6, gap_s=1000), (3,))
    lost = 1 - out.num_rows / table.num_rows
    assert 0.01 < lost < 0.2
    doubled = messy(table, Mess(doubled=0.05), (3,))
    assert doubled.num_rows == pytest.approx(1.05 * table.num_rows, rel=0.01)
    stuck = messy(table, Mess(stuck_a_day=20, stuck_s=600), (3,))
    same = (np.diff(stuck["pack_v"].to_numpy()) == 0) & (np.diff(stuck["pack_a"].to_numpy()) == 0)
    plain = (np.diff(table["pack_v"].to_numpy()) == 0) & (np.diff(table["pack_a"].to_numpy()) == 0)
    assert same.sum() > plain.sum() + 500


@pytest.mark.parametrize("mess", [TYPICAL, ROUGH, replace(ROUGH, glitches_a_day=500)])
def test_what_arrives_is_sorted_repeatable_and_in_range(table: pa.Table, mess: Mess) -> None:
    out = messy(table, mess, (5, 1))
    assert out.equals(messy(table, mess, (5, 1)))
    assert not out.equals(messy(table, mess, (5, 2)))
    assert (np.diff(out["time_ms"].to_numpy()) >= 0).all()
    for name in out.column_names[1:]:
        values = out[name].drop_null().to_numpy() * CATALOGUE[name].scale
        assert (values >= CATALOGUE[name].low).all()
        assert (values <= CATALOGUE[name].high).all()
