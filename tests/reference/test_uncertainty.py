"""GUM example H.2: resistance, reactance and impedance from five sets of correlated readings.

JCGM 100:2008, H.2 (readings and printed results from memory, consistent with a metrology library's
documentation). And the uncertainty of a home log's coulombic efficiency and capacity, by hand.
"""

from __future__ import annotations

import numpy as np
import pytest

from analysis.stats.uncertainty import combined

V = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
I = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3  # noqa: E741 - the symbol of the example
PHI = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])


def test_means_and_their_uncertainty() -> None:
    assert (V.mean(), 1e3 * I.mean(), PHI.mean()) == pytest.approx((4.999, 19.661, 1.04446))
    u = np.std([V, I, PHI], axis=1, ddof=1) / np.sqrt(5)
    assert u == pytest.approx([3.2e-3, 9.5e-6, 7.5e-4], rel=0.02)


def test_resistance_reactance_impedance() -> None:
    v, i, phi = V.mean(), I.mean(), PHI.mean()
    covariance = np.cov([V, I, PHI]) / 5
    r, x, z = v * np.cos(phi) / i, v * np.sin(phi) / i, v / i
    gradients = ([r / v, -r / i, -x], [x / v, -x / i, r], [z / v, -z / i, 0.0])
    assert (r, x, z) == pytest.approx((127.732, 219.847, 254.260), abs=5e-4)
    u = [combined(g, covariance) for g in gradients]
    assert u == pytest.approx([0.071, 0.296, 0.236], abs=6e-4)
    a, b, c = (np.array(g) for g in gradients)
    pairs = [(a, b, 0, 1, -0.588), (a, c, 0, 2, -0.485), (b, c, 1, 2, 0.993)]
    for first, second, k, m, expected in pairs:
        assert float(first @ covariance @ second) / (u[k] * u[m]) == pytest.approx(expected, abs=1e-3)


def test_coulombic_efficiency_of_a_home_log() -> None:
    # Hand calculation: 200 Ah in over 4 h, 199 Ah out over 9.95 h, zero error ±0.1 A shared by both.
    sensitivity = -9.95 / 200 - 199 * 4 / 200**2
    assert sensitivity == pytest.approx(-0.06965)
    assert combined([sensitivity], [0.1]) == pytest.approx(0.0070, abs=5e-5)


def test_capacity_of_a_home_log() -> None:
    # Hand calculation: 250 Ah with gain 1.25 Ah and offset 0.1 A × 10 h; x = 0.90 ± 0.01.
    u_y = combined([1, 1], [1.25, 1.0])
    assert u_y == pytest.approx(1.60, abs=5e-3)
    q = 250 / 0.90
    assert q == pytest.approx(277.8, abs=0.05)
    assert combined([1 / 0.90, -q / 0.90], [u_y, 0.01]) == pytest.approx(3.6, abs=0.05)


def test_shapes_must_fit() -> None:
    with pytest.raises(ValueError, match="covariance"):
        combined([1.0, 2.0], [1.0])
