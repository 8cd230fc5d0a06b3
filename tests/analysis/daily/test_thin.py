import numpy as np
import pytest

from analysis.daily.hygiene import clean
from analysis.daily.thin import mark_at, thin
from tests.analysis import made


def test_a_dense_day_is_thinned_and_a_sparse_one_is_not() -> None:
    for period, expected in ((1.0, 2881), (10.0, 2880), (60.0, 1440)):
        pack = made.Pack(period_s=period)
        view = thin(clean(pack.frame(0, np.zeros(round(86400 / period))), made.FACTS))
        assert view.index.size == pytest.approx(expected, abs=1)
        assert (np.diff(view.time_s) > 0).all()


def test_mean_current_is_that_of_the_counters() -> None:
    current = np.where(np.arange(8640) % 2 == 0, 30.0, 10.0)
    view = thin(clean(made.Pack(noise_a=0.0, soc=0.2).frame(0, current * 0.1), made.FACTS))
    assert np.isnan(view.mean_a[0])
    assert view.mean_a[2:] == pytest.approx(2.0, abs=0.7)
    assert np.mean(view.mean_a[1:]) == pytest.approx(2.0, abs=0.02)


def test_across_a_gap_nothing_is_known() -> None:
    frame = made.Pack().frame(0, np.full(8640, 5.0))
    keep = np.ones(8640, dtype=bool)
    keep[3000:3100] = False
    cut = frame.only(keep)
    view = thin(clean(cut, made.FACTS))
    assert np.isnan(view.mean_a[1:]).sum() == 1


def test_median_of_the_cells_leaves_missing_ones_out() -> None:
    frame = made.Pack(noise_v=0.0, spread=(0.3, *[0.0] * 15)).frame(0, np.zeros(100))
    frame.cells_v[3] = np.nan
    view = thin(clean(frame, made.FACTS))
    assert view.median_v == pytest.approx(made.ocv(np.array(0.5)), abs=1e-3)
    assert view.max_v == pytest.approx(made.ocv(np.array(0.8)), abs=1e-3)
    assert np.isfinite(view.min_v).all()


@pytest.mark.parametrize("n", [0, 1, 2])
def test_too_short_to_thin(n: int) -> None:
    view = thin(clean(made.Pack().frame(0, np.zeros(n)), made.FACTS))
    assert view.index.size <= n


def test_a_mark_between_samples_lies_between() -> None:
    day = clean(made.Pack(noise_a=0.0).frame(0, np.full(8640, 36.0)), made.FACTS)
    t = float(day.frame.time_s[100])
    assert mark_at(day, t + 5.0).ah_in == pytest.approx(day.mark(100).ah_in + 36 * 5 / 3600, abs=1e-6)
