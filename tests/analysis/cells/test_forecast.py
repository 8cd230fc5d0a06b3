from __future__ import annotations

import numpy as np
import pytest

from analysis.cells.forecast import top_voltages
from analysis.cells.use import Ends


def ends(highest: list[float]) -> Ends:
    v = np.linspace(3.36, 3.60, 13)
    return Ends(
        np.array(highest, dtype=float), float(np.sum(highest)), v, 3.0 * np.log1p((v - 3.36) / 0.02), 5
    )


def test_the_charger_holds_the_sum() -> None:
    before = ends([3.50] * 15 + [3.52])
    behind = np.zeros(16)
    behind[3] = 6.0
    after = top_voltages(before, behind)
    assert after.sum() == pytest.approx(before.highest_v.sum(), abs=0.01)
    assert after[3] < 3.40
    assert after[15] == max(after)
    # 15 others share what cell 4 gave up: (3.50 − 3.37) / 15 = 9 mV each, by hand
    assert np.median(np.delete(after, 3)) == pytest.approx(3.509, abs=0.004)


def test_nothing_moves_if_no_cell_does() -> None:
    before = ends([3.50] * 15 + [3.55])
    assert top_voltages(before, np.zeros(16)) == pytest.approx(before.highest_v, abs=1e-3)
