from __future__ import annotations

import math
import statistics

import numpy as np
import pytest

from analysis.stats.quantiles import MANY, median


@pytest.mark.parametrize("n", [1, 2, 3, 8, 31, MANY - 1, MANY, MANY + 1])
def test_it_is_the_median_of_other_libraries_to_the_bit(n: int) -> None:
    values = np.random.default_rng(n).normal(size=n)
    before = values.copy()
    assert median(values) == np.median(values) == statistics.median(values.tolist())
    assert np.array_equal(values, before)


def test_ties_and_infinities_are_values() -> None:
    assert median(np.array([2.0, 2.0, 1.0, 2.0])) == 2.0
    assert median(np.array([math.inf, 1.0, -math.inf])) == 1.0


@pytest.mark.parametrize("values", [[], [math.nan], [1.0, math.nan, 2.0]])
def test_what_is_not_known_has_no_median(values: list[float]) -> None:
    assert math.isnan(median(np.array(values)))  # as numpy says of the last two
