import datetime as dt
from pathlib import Path

import numpy as np
import pytest

from sample_data.history import simulate
from sample_data.live_bank import LiveBank
from sample_data.orchard import ORCHARD
from sample_data.state import initial, load, save


def test_state_survives_the_file(tmp_path: Path) -> None:
    state = initial(ORCHARD)
    list(simulate(ORCHARD, dt.date(2026, 11, 10), 1, period_s=30, state=state))
    save(state, tmp_path / "state.json", time_s=1.5)
    again, time_s = load(tmp_path / "state.json")
    assert time_s == 1.5
    assert again.day == state.day == "2026-11-10"
    for a, b in zip(again.packs, state.packs, strict=True):
        assert np.array_equal(a.charge_ah, b.charge_ah)
        assert a.rc_a == b.rc_a
        assert a.mid_c == b.mid_c


def test_a_file_that_is_no_state_says_so(tmp_path: Path) -> None:
    (tmp_path / "state.json").write_text('{"time_s": 1}')
    with pytest.raises(ValueError, match="not the saved state"):
        load(tmp_path / "state.json")


def test_live_bank_goes_on_where_the_history_ended() -> None:
    state = initial(ORCHARD)
    day = list(simulate(ORCHARD, dt.date(2026, 11, 10), 1, period_s=30, state=state))[-1]
    end_s = day.tables["A"]["time_ms"][-1].as_py() / 1000 + 30
    bank = LiveBank(ORCHARD, end_s, state, end_s)
    shown = [bank.tick(end_s + s) for s in range(1, 6)]
    last_mv = day.tables["A"]["cell_03_v"][-1].as_py()
    assert all(set(s) == {"A", "B", "hall"} for s in shown)
    assert abs(shown[0]["A"]["cell_03_v"] - last_mv) < 30
    assert shown[0]["A"].keys() | {"time_ms"} == set(day.tables["A"].column_names)
    assert bank.time_s == end_s + 5


def test_live_bank_lives_through_the_time_it_was_off() -> None:
    start = dt.datetime(2026, 11, 10, 18, tzinfo=dt.UTC).timestamp()
    state = initial(ORCHARD, soc=0.9)
    bank = LiveBank(ORCHARD, start + 6 * 3600, state, start)
    # An evening in November without sun takes charge out.
    assert bank.state.packs[0].charge_ah.mean() < 0.88 * 284
