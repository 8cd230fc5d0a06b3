"""A published ageing model of large prismatic cells: what calendar and cycles alone would have taken."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.frame import F64

KELVIN = 273.15
CALENDAR_POWER, CYCLE_POWER = 0.526, 0.828
COLDEST_C = 10.0
"""The model's cycling data end here; colder is taken as this, and cold charging is not in it. [°C]"""


@dataclass(frozen=True, slots=True)
class Stress:
    """What a pack went through in one step of time.

    Attributes
    ----------
    days : float
        Its length. [d]
    efc : float
        Equivalent full cycles in it, of the rated capacity. [1]
    calendar_rate, cycle_rate : float
        Coefficients, see `calendar_rate` and `cycle_rate`; means over the step.
    """

    days: float
    efc: float
    calendar_rate: float
    cycle_rate: float


@dataclass(frozen=True, slots=True)
class Loss:
    """Lost capacity as parts of the initial one. [1]"""

    calendar: float
    cycle: float

    @property
    def total(self) -> float:
        """Both together. [1]"""
        return self.calendar + self.cycle


def graphite_potential(soc: ArrayLike) -> F64:
    """Open-circuit potential of the graphite electrode over the cell's state of charge. [V]

    Parameters
    ----------
    soc : array
        0–1.

    References
    ----------
    Safari, Delacourt, J. Electrochem. Soc. 158 (2011) A562 (doi 10.1149/1.3567007), as used in
    blast-lite 1.1 with lithiation 0.0085 + 0.7715 SoC. Its steps lie at lithiation 0.1958 and 0.5692.
    """
    x = 8.5e-3 + np.asarray(soc, dtype=np.float64) * (0.78 - 8.5e-3)
    potential: F64 = (
        0.6379
        + 0.5416 * np.exp(-305.5309 * x)
        + 0.044 * np.tanh(-(x - 0.1958) / 0.1088)
        - 0.1978 * np.tanh((x - 1.0571) / 0.0854)
        - 0.6875 * np.tanh((x + 0.0117) / 0.0529)
        - 0.0175 * np.tanh((x - 0.5692) / 0.0875)
    )
    return potential


def calendar_rate(temp_c: ArrayLike, soc: ArrayLike) -> F64:
    """Coefficient of loss over time: loss = rate × days^0.526.

    Parameters
    ----------
    temp_c, soc : array
        [°C], [1]

    References
    ----------
    Model of large prismatic LFP cells in blast-lite 1.1, data J. Energy Storage 2023,
    doi 10.1016/j.est.2023.109042: 8.37e4 exp(−5210/T) exp(−3560 U/T), T in K.

    Examples
    --------
    >>> round(float(calendar_rate(25.0, 0.5)) * 365**0.526, 4)
    0.011
    """
    kelvin = np.asarray(temp_c, dtype=np.float64) + KELVIN
    rate: F64 = 8.37e4 * np.exp(-5210 / kelvin) * np.exp(-3560 * graphite_potential(soc) / kelvin)
    return rate


def cycle_rate(temp_c: ArrayLike, depth: ArrayLike, c_rate: ArrayLike) -> F64:
    """Coefficient of loss over cycles: loss = rate × EFC^0.828.

    Parameters
    ----------
    temp_c : array
        Taken as `COLDEST_C` below it. [°C]
    depth : array
        Depth of discharge. [1]
    c_rate : array
        Mean over time of the size of the current. [C]

    References
    ----------
    As `calendar_rate`: (4.38e-8 + 1.55e-8 DoD + 1.68e-7 C)(exp(2190/T) + exp(−1.55e5/T)). The authors
    warn against it outside 10–45 °C, depths below 0.8, charging above 0.65 C.
    """
    kelvin = np.maximum(np.asarray(temp_c, dtype=np.float64), COLDEST_C) + KELVIN
    use = 4.38e-8 + 1.55e-8 * np.asarray(depth, dtype=np.float64) + 1.68e-7 * np.asarray(c_rate)
    rate: F64 = use * (np.exp(2190 / kelvin) + np.exp(-1.55e5 / kelvin))
    return rate


def advance(state: float, step: float, rate: float, power: float) -> float:
    """Return the loss after a further step along loss = rate × x^power, whatever led to `state`.

    Parameters
    ----------
    state : float
        Loss so far. [1]
    step : float
        Growth of x. [days or cycles]
    rate, power : float
        Of the power law now in force.
    """
    if step <= 0 or rate <= 0:
        return state
    equivalent: float = (state / rate) ** (1 / power) if state > 0 else 0.0
    out: float = rate * (equivalent + step) ** power
    return out


def life(steps: Iterable[Stress], start: Loss | None = None) -> tuple[Loss, ...]:
    """Run the model over a history.

    Parameters
    ----------
    steps : iterable of Stress
    start : Loss, optional
        Loss at the beginning, none by default.

    Returns
    -------
    tuple of Loss
        After each step.
    """
    now = start or Loss(0.0, 0.0)
    out = []
    for step in steps:
        now = Loss(
            advance(now.calendar, step.days, step.calendar_rate, CALENDAR_POWER),
            advance(now.cycle, step.efc, step.cycle_rate, CYCLE_POWER),
        )
        out.append(now)
    return tuple(out)
