"""A rough capacity without a low knee: from full down the slope that graphite makes near empty.

The voltage without load falls by some tens of millivolts between the middle plateau and the knee. How far it
has fallen says how much is left, as far as graphites are alike: the hysteresis that charge and discharge keep
apart, the reading errors of the cells and the cathode's own voltage are in both and cancel.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.estimate import Estimate
from analysis.frame import F64
from analysis.history import History
from analysis.packs.capacity import FULL_SOC, Capacity
from analysis.packs.ocv import MeanCurve

MIDDLE = (0.44, 0.58)
"""Where below full the middle plateau lies, of the rated charge: between graphite's two steps. [1]"""
DROP_V = (0.030, 0.040, 0.050, 0.060, 0.070, 0.080)
LEFT = (0.258, 0.235, 0.214, 0.194, 0.175, 0.155)
LEFT_U = 0.053
"""Charge left, of the charge when new, where the voltage lies so far below the middle plateau, and its
standard uncertainty [V], [1]: mean and spread over four graphites, one with silicon, with 75 to 95 % of their
sites used when full and 0.5 to 3 % when empty. Ageing takes lithium, not this: what is left below a voltage
stays.

References
----------
Safari, Delacourt, J. Electrochem. Soc. 158 (2011) A562; mesocarbon microbeads as in the porous-electrode
models of Doyle and Newman; Verbrugge et al., J. Electrochem. Soc. 164 (2017) E3243; Chen et al.,
J. Electrochem. Soc. 167 (2020) 080534. Coefficients from memory.
"""
DROP_U_V = 0.006
"""What slow polarisation, which grows towards empty, leaves unsure of the drop, standard. [V] Practice."""
RATED_U = 0.02
"""By how much the charge when new differs from the rated one, standard. [1] Common practice, no source."""
USUAL_H = 12.0
"""From full to the deep end of a discharge, for what the sensor's zero leaves unsure. [h] Practice."""
LEAST_BINS = 5
SPREAD, SPREAD_U = 0.006, 0.006
"""By how much the first empty cell is behind the median one, where nothing compares them. [1] Practice."""
TOLD_U = 0.02
"""A comparison less sure than this, standard, compares nothing, unless it puts the cell behind for certain.
[1] Common practice, no source."""


@dataclass(frozen=True, slots=True)
class _Reach:
    """How far a curve reaches: charge below full [Ah], drop of the voltage there [V], slope there. [V/Ah]"""

    below_ah: float
    drop_v: float
    slope: float


def _reach(curve: MeanCurve, rated_ah: float) -> _Reach | None:
    """Deepest place of a curve at which the table can be read."""
    below, volts = np.array(curve.below_ah), np.array(curve.volts)
    middle = (below >= MIDDLE[0] * rated_ah) & (below <= MIDDLE[1] * rated_ah)
    deep = below > MIDDLE[1] * rated_ah
    if int(middle.sum()) < LEAST_BINS or int(deep.sum()) < LEAST_BINS:
        return None
    drop = np.maximum.accumulate(float(np.median(volts[middle])) - volts[deep])
    if drop[-1] < DROP_V[0]:
        return None
    wanted = min(float(drop[-1]), DROP_V[-1])
    at = float(np.interp(wanted, *_rising(drop, below[deep])))
    before = float(np.interp(wanted - 0.010, *_rising(drop, below[deep])))
    return _Reach(at, wanted, 0.010 / max(at - before, 1e-6))


def _rising(drop: F64, below: F64) -> tuple[F64, F64]:
    """Drop and charge where the drop grows, for interpolation."""
    keep = np.concatenate(([True], np.diff(drop) > 0))
    return drop[keep], below[keep]


def near_empty(bottom: Estimate, top: Estimate, rated_ah: float) -> Estimate:
    """By how much a cell is behind near empty; as at the top where nothing compared it, if that is sure.

    Parameters
    ----------
    bottom, top : Estimate
        Behind the median cell at the two ends. [Ah]
    rated_ah : float
        For how unlike the capacities of cells are. [Ah]
    """
    if bottom.value is not None or top.value is None or top.high is None or (top.low or 0.0) <= 0:
        return bottom
    half = math.hypot(top.high - top.value, 1.96 * SPREAD_U * rated_ah)
    return Estimate(top.value, "Ah", top.value - half, top.value + half, top.basis, top.n)


def _behind(cells: Sequence[Estimate], rated_ah: float) -> tuple[float, float]:
    """By how much the first cell that is empty is behind the median cell there, and its uncertainty. [Ah]"""
    told = [
        (c.value, (c.high - c.low) / 3.92)
        for c in cells
        if c.value is not None and c.low is not None and c.high is not None
    ]
    sure = [(value, u) for value, u in told if u < TOLD_U * rated_ah or value > 1.96 * u]
    if len(sure) < max(3, len(cells) // 2):
        sure.append((SPREAD * rated_ah, SPREAD_U * rated_ah))
    most, u = max(sure)
    return max(most, 0.0), u


def part_capacity(
    history: History, known: Capacity, curves: Sequence[MeanCurve], behind: Sequence[Estimate]
) -> Capacity:
    """Say roughly what a pack holds that is charged full and used far down, yet never to the lower knee.

    Parameters
    ----------
    history : History
    known : Capacity
        What full and low anchors say; returned as it is where they say anything.
    curves : sequence of MeanCurve
        The pack's curves of voltage without load, freed of the sensor's zero.
    behind : sequence of Estimate
        Of each cell, by how much it is behind the median cell near empty. [Ah]

    Returns
    -------
    Capacity
        Without pairs; still refused, for its own reason, where no curve of discharge reaches down the slope.
    """
    if known.usable.value is not None:
        return known
    rated = history.facts.rated_ah
    curve = next((c for c in curves if c.direction == "discharge"), None)
    reach = None if curve is None else _reach(curve, rated)
    if curve is None or reach is None:
        return known
    left = float(np.interp(reach.drop_v, DROP_V, LEFT))
    worst, worst_u = _behind(behind, rated)
    value = reach.below_ah + left * rated - worst
    u = math.hypot(
        LEFT_U * rated,
        RATED_U * left * rated,
        DROP_U_V / reach.slope,
        FULL_SOC["taper"][1] * rated,
        known.offset_used.u_a * USUAL_H,
        worst_u,
    )
    basis = (
        f"mean curve of {curve.pieces} calm discharges, {reach.below_ah:.0f} Ah from full down to "
        f"{1000 * reach.drop_v:.0f} mV below the middle plateau; what is left there from published "
        "graphites; no low knee was reached, and the current sensor's gain is not included"
    )
    half = 1.96 * u
    usable = Estimate(value, "Ah", value - half, value + half, basis, curve.pieces)
    part = Estimate(value / rated, "1", (value - half) / rated, (value + half) / rated, basis, curve.pieces)
    return Capacity(usable, part, known.temp_c, known.offset_used, ())
