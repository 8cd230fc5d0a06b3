"""Laws of the regression module; printed values are in tests/reference/test_regression.py."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.stats.regression import awtls, plateau_bound, tls, wls, wtls

points = st.lists(st.floats(0.2, 1.0), min_size=1, max_size=12)


@given(points, st.floats(50, 600))
def test_exact_points_give_their_slope(x: list[float], q: float) -> None:
    y = [q * v for v in x]
    for fit in (wls(x, y, 1.0), tls(x, y, 0.01, 1.0), wtls(x, y, 0.01, 1.0)):
        assert fit.q == pytest.approx(q, rel=1e-6)
    assert awtls(x, y, 0.01, 1.0, ratio=0.01).q == pytest.approx(q, rel=1e-5)


def test_misuse_is_refused() -> None:
    with pytest.raises(ValueError, match="above 0"):
        wtls([0.5], [100.0], 0.0, 1.0)
    with pytest.raises(ValueError, match="at least one"):
        wls([], [], 1.0)


def test_no_span_is_no_information() -> None:
    assert math.isinf(plateau_bound(0.01, 0.17, []))
