"""What a resistance measured in the cold is at 25 °C, and how sure that is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from analysis.estimate import Estimate, unknown
from analysis.frame import F64

T = TypeVar("T", float, F64)
REFERENCE_K, GAS = 298.15, 8.314
ACTIVATION = 25e3, 12e3
"""Prior of the activation energy of a cell's resistance and its standard deviation: at 0 °C 1.6 to 3.9 times
that at 25 °C. [J/mol] From memory of impedance studies and data sheets."""
NEW_DAYS = 0.25
"""Part of the days with steps that tell something new: their load and their temperature last. [1] Practice,
no source."""
NORMALISED_ERROR = 0.006
"""What going to another temperature may be wrong by for each kelvin beyond the fit: the law bends, and the
sensor is not in the cell. [1/K] From simulated banks."""
UNKNOWN_C = 15.0
"""How warm cells without a temperature are taken to be. [°C] Common practice, no source."""


@dataclass(frozen=True, slots=True)
class TemperatureLaw:
    """Resistance against temperature, ln R = ln R25 + E / R (1/T − 1/298.15 K), and how sure it is.

    Attributes
    ----------
    ohm_25 : float
        At 25 °C. [Ω]
    energy_j_mol, energy_sd : float
        Activation energy and its standard deviation. [J/mol]
    centre_c : float
        Temperature at which it was measured; nothing is sure further from it. [°C]
    level_sd : float
        Standard deviation of ln R there. [1]
    """

    ohm_25: float
    energy_j_mol: float
    energy_sd: float
    centre_c: float
    level_sd: float

    def at(self, temp_c: float) -> tuple[float, float]:
        """Resistance at a temperature [Ω] and the standard deviation of its logarithm [1]."""
        way = _inverse(temp_c) - _inverse(self.centre_c)
        bent = NORMALISED_ERROR * (temp_c - self.centre_c)
        value = self.ohm_25 * math.exp(self.energy_j_mol * _inverse(temp_c))
        return value, math.hypot(self.level_sd, way * self.energy_sd, bent)


def arrhenius(temp_c: F64, resistance_ohm: F64) -> TemperatureLaw:
    """Fit a law of temperature, the activation energy held by a prior.

    Parameters
    ----------
    temp_c, resistance_ohm : array, shape (n,)
        NaN temperatures are left out; without any, the days are taken as `UNKNOWN_C` warm. [°C], [Ω]

    Returns
    -------
    TemperatureLaw
        With the prior's energy where the temperature does not vary; NaN without a resistance.
    """
    ok = np.isfinite(temp_c) & (resistance_ohm > 0)
    if not ok.any():
        good = resistance_ohm[resistance_ohm > 0]
        r25 = float(np.median(good)) if good.size else math.nan
        return TemperatureLaw(r25, *ACTIVATION, UNKNOWN_C, ACTIVATION[0] * _inverse(UNKNOWN_C))
    x = _inverse(temp_c[ok])
    y = np.log(resistance_ohm[ok])
    energy = ACTIVATION[0]
    weight = np.ones_like(y)
    for _ in range(4):
        centre = float((weight * x).sum() / weight.sum())
        mean = float((weight * y).sum() / weight.sum())
        rest = y - mean - energy * (x - centre)
        scale = 1.4826 * float(np.median(np.abs(rest))) + 0.01
        weight = 1 / (1 + (rest / (3 * scale)) ** 2)
        hold = (scale / ACTIVATION[1]) ** 2 / NEW_DAYS
        spread = float((weight * (x - centre) ** 2).sum()) + hold
        top = float((weight * (x - centre) * (y - mean)).sum()) + hold * ACTIVATION[0]
        energy = top / spread
    return TemperatureLaw(
        ohm_25=math.exp(mean - energy * centre),
        energy_j_mol=energy,
        energy_sd=scale / math.sqrt(NEW_DAYS * spread),
        centre_c=1 / (GAS * centre + 1 / REFERENCE_K) - 273.15,
        level_sd=math.hypot(scale / math.sqrt(NEW_DAYS * float(weight.sum())), 0.005),
    )


def _inverse(temp_c: T) -> T:
    """1 / (R T) above what it is at 25 °C. [mol/J]"""
    return 1 / (GAS * (temp_c + 273.15)) - 1 / (GAS * REFERENCE_K)


def in_proportion(value: float, sd: float, log_sd: float) -> tuple[float, float]:
    """Give the 95 % interval of a value with an error of its own and one in proportion, which keeps its sign.

    Parameters
    ----------
    value, sd : float
        In one unit.
    log_sd : float
        Standard deviation of the logarithm of what it is multiplied by. [1]
    """
    own, factor = 1.96 * sd, math.exp(1.96 * log_sd)
    down, up = abs(value) * (1 - 1 / factor), abs(value) * (factor - 1)
    if value < 0:
        down, up = up, down
    return value - math.hypot(own, down), value + math.hypot(own, up)


def excess_at_25(ratio: float, sd: float, law: TemperatureLaw, n: int, basis: str) -> Estimate:
    """Give a cell's excess at 25 °C.

    Parameters
    ----------
    ratio, sd : float
        Excess as part of the median cell's resistance, and its standard deviation. [1]
    law : TemperatureLaw
        The median cell's.
    n : int
        Days behind it.
    basis : str
    """
    r25, log_sd = law.at(25.0)
    if n == 0 or not math.isfinite(ratio):
        return unknown("Ω", "the current varied too little", basis)
    return Estimate(ratio * r25, "Ω", *in_proportion(ratio * r25, sd * r25, log_sd), basis, n)
