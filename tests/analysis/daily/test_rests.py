from __future__ import annotations

import numpy as np
import pytest

from analysis.daily.hygiene import clean
from analysis.daily.rests import observe_rests
from tests.analysis import made


def test_the_rest_shows_how_cells_stand_apart() -> None:
    pack = made.Pack(period_s=10.0, soc=0.95, spread=(0.02, *[0.0] * 15))
    current = np.full(8640, -20.0)
    current[3000:5160] = 0.0  # six hours
    found = observe_rests(clean(pack.frame(0, current), made.FACTS)).rests
    assert len(found) == 1
    assert found[0].hours == pytest.approx(6.0, abs=0.02)
    soc = 0.95 - 20 * 3000 * 10 / 3600 / 280
    ahead, others = made.ocv(np.array([soc + 0.02, soc]))
    assert found[0].apart_v[0] == pytest.approx(float(ahead - others), abs=6e-4)
    assert max(abs(x) for x in found[0].droop_v_h) < 3e-4


def test_short_rests_and_running_packs_give_none() -> None:
    pack = made.Pack(period_s=10.0)
    current = np.full(8640, -20.0)
    current[100:200] = 0.0
    assert observe_rests(clean(pack.frame(0, current), made.FACTS)).rests == ()
