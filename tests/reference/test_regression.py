"""Capacity regressions: data made up, results from independent derivation of the published equations.

Plett, "Recursive approximate weighted total least squares estimation of battery cell total capacity",
J. Power Sources 196 (2011) 2319–2331 (equations re-derived, the paper's body was not seen).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize

from analysis.stats.regression import awtls, plateau_bound, tls, wls, wtls

X = [0.80, 0.55, 0.90, 0.40, 0.70]
Y = [218.0, 152.0, 243.5, 109.0, 193.0]
SX = [0.02, 0.02, 0.01, 0.03, 0.02]


def test_four_regressions() -> None:
    assert wls(X, Y, 1.0).q == pytest.approx(272.986, abs=5e-4)
    assert tls(X, Y, 0.02, 1.0).q == pytest.approx(273.004, abs=5e-4)
    full = wtls(X, Y, SX, 1.0)
    assert (full.q, full.sd) == pytest.approx((271.843, 2.62), abs=5e-3)
    fast = awtls(X, Y, SX, 1.0, ratio=0.02)
    assert (fast.q, fast.sd) == pytest.approx((271.786, 2.56), abs=5e-3)
    assert awtls(X, Y, SX, 1.0, ratio=0.02, memory=0.98).q == pytest.approx(271.793, abs=5e-4)
    assert awtls(X, Y, 0.02, 1.0, ratio=0.02).q == pytest.approx(273.004, abs=5e-4)


def test_wtls_equals_a_general_minimiser() -> None:
    x, y, sx = np.array(X), np.array(Y), np.array(SX)
    result = optimize.minimize_scalar(
        lambda q: np.sum((y - q * x) ** 2 / (1 + q**2 * sx**2)), bounds=(200, 350), method="bounded"
    )
    assert wtls(X, Y, SX, 1.0).q == pytest.approx(result.x, abs=1e-3)


def test_intervals_hold_the_truth() -> None:
    rng = np.random.default_rng(11)
    held = 0
    for _ in range(400):
        x = rng.uniform(0.5, 0.95, 12)
        fit = wtls(x + rng.normal(0, 0.01, 12), 270 * x + rng.normal(0, 1, 12), 0.01, 1.0)
        held += abs(fit.q - 270) < 1.96 * fit.sd
    assert 0.92 <= held / 400 <= 0.98


def test_plateau_bound_of_the_table() -> None:
    # Lin, Stefanopoulou, J. Electrochem. Soc. 162 (2015) A1879, Table I, sigma 10 mV.
    assert plateau_bound(0.010, 0.17, [0.8]) == pytest.approx(0.0735, abs=5e-5)
    assert plateau_bound(0.010, 0.17, [0.4]) == pytest.approx(0.1471, abs=5e-5)
    assert plateau_bound(0.010, 0.65, [0.8]) == pytest.approx(0.0192, abs=5e-5)
    assert plateau_bound(0.010, 0.65, [0.4]) == pytest.approx(0.0385, abs=5e-5)
