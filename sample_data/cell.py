"""What one simulated LFP cell is: equilibrium curve, resistances and their temperature dependence.

Three physics are offered. `HILL` has one RC pair and the equilibrium curve of a graphite electrode against a
flat iron-phosphate plateau; `VALLEY` has another curve shape, two RC pairs and hysteresis; in `RIDGE` the
surface of the electrodes runs ahead of their mean. Nothing in the analysis may fit only one of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

GRID_LOW = -0.03
GRID_STEP = 0.0005
_GRID = GRID_LOW + GRID_STEP * np.arange(round(1.09 / GRID_STEP) + 1)
T_REF_K = 298.15


@dataclass(frozen=True, slots=True, eq=False)
class Chemistry:
    """One physics of a cell.

    Attributes
    ----------
    name : str
        For messages.
    ocv_v : array, shape (m,)
        Equilibrium voltage on the state-of-charge grid from `GRID_LOW` in steps of `GRID_STEP`. [V]
    r0_ohm, r0_slope_k : float
        Ohmic resistance at 25 °C [Ω] and its Arrhenius temperature (activation energy over gas constant) [K].
    rc_ohm, rc_tau_s, rc_slope_k : tuple of float
        The RC pairs: resistance at 25 °C [Ω], time constant [s], Arrhenius temperature [K].
    hysteresis_v : float
        Half the gap between the charge and the discharge branch. [V]
    surface_h : float
        By how much the electrodes' surface runs ahead of the mean charge, for each ampere that has flowed
        through the second RC pair: the knees come earlier the faster one charges, and fade at rest. [h]
    """

    name: str
    ocv_v: Array
    r0_ohm: float
    r0_slope_k: float
    rc_ohm: tuple[float, float]
    rc_tau_s: tuple[float, float]
    rc_slope_k: tuple[float, float]
    hysteresis_v: float
    surface_h: float = 0.0

    def equilibrium(self, soc: Array) -> Array:
        """Return the equilibrium voltage at a state of charge of any shape. [V]"""
        return np.interp(soc, _GRID, self.ocv_v)


def arrhenius(temp_c: Array, slope_k: float) -> Array:
    """Return the factor on a resistance at a temperature, 1 at 25 °C.

    References
    ----------
    S. Arrhenius, Z. Phys. Chem. 4 (1889) 226; the slopes used here are common practice, no source.
    """
    return np.asarray(np.exp(slope_k * (1.0 / (np.asarray(temp_c) + 273.15) - 1.0 / T_REF_K)))


def graphite(x: Array) -> Array:
    """Potential of graphite against lithium [V] at lithiation x, with its stage steps near 0.2 and 0.57.

    References
    ----------
    Shape after M. Safari and C. Delacourt, J. Electrochem. Soc. 158 (2011) A562; coefficients from memory.
    """
    return np.asarray(
        0.6379
        + 0.5416 * np.exp(-305.5309 * x)
        + 0.0440 * np.tanh(-(x - 0.1958) / 0.1088)
        - 0.1978 * np.tanh((x - 1.0571) / 0.0854)
        - 0.6875 * np.tanh((x + 0.0117) / 0.0529)
        - 0.0175 * np.tanh((x - 0.5692) / 0.0875)
    )


def _hill_curve() -> Array:
    soc = _GRID
    top = 0.205 * np.exp((soc - 1.0) / 0.0085) + 0.022 * np.exp((soc - 1.0) / 0.035)
    bottom = -0.10 * np.exp(-soc / 0.012)
    return np.asarray(3.4215 + top + bottom - graphite(np.clip(0.012 + 0.80 * soc, 0.0, None)))


def _valley_curve() -> Array:
    soc = _GRID
    steps = 0.030 * np.tanh((soc - 0.235) / 0.065) + 0.0155 * np.tanh((soc - 0.70) / 0.035)
    top = 0.22 / (1.0 + np.exp(-(soc - 1.003) / 0.0060)) + 3.6 * np.clip(soc - 0.93, 0.0, None) ** 2
    top += 0.05 * np.exp((soc - 1.015) / 0.008)
    bottom = -0.36 * np.exp(-soc / 0.034) - 0.28 * np.exp(-soc / 0.007)
    return np.asarray(3.290 + steps + 0.006 * (soc - 0.5) + top + bottom)


HILL = Chemistry(
    name="hill",
    ocv_v=_hill_curve(),
    r0_ohm=0.17e-3,
    r0_slope_k=2300.0,
    rc_ohm=(0.15e-3, 0.0),
    rc_tau_s=(55.0, 1000.0),
    rc_slope_k=(3600.0, 3600.0),
    hysteresis_v=0.0,
)
"""The physics of the orchard scenario."""

VALLEY = Chemistry(
    name="valley",
    ocv_v=_valley_curve(),
    r0_ohm=0.21e-3,
    r0_slope_k=1900.0,
    rc_ohm=(0.10e-3, 0.14e-3),
    rc_tau_s=(18.0, 700.0),
    rc_slope_k=(3000.0, 4300.0),
    hysteresis_v=0.006,
)
"""A second physics, so that nothing can be tuned to the first."""

RIDGE = Chemistry(
    name="ridge",
    ocv_v=_hill_curve(),
    r0_ohm=0.19e-3,
    r0_slope_k=2100.0,
    rc_ohm=(0.12e-3, 0.05e-3),
    rc_tau_s=(35.0, 1300.0),
    rc_slope_k=(3300.0, 3600.0),
    hysteresis_v=0.003,
    surface_h=0.045,
)
"""A third: diffusion makes the knees depend on the current, and a full pack settles at rest."""
