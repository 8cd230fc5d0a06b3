"""What power a heater draws: less once part of it failed, perhaps as before where it only lost its warmth."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.daily.warming import HEAT_WH_PER_K
from analysis.history import History
from analysis.once import once
from analysis.packs.balance import drew_as_before
from analysis.packs.heater_fault import HeaterTrouble, heater_trouble, may_draw_on
from analysis.packs.heater_path import AS_BEFORE, heated_windows, heater_path
from analysis.packs.heater_watts import dated_steps, heater_watts
from analysis.packs.zero_step import stretches

STEP_U = 0.1
"""What the power by switchings may be off by, standard. [1] Practice, no source."""
CERTAIN, LEAST_STEPS = 0.95, 8
"""How sure an answer has to be to be told alone [1], and switchings that tell one. Practice, no source."""


@dataclass(frozen=True, slots=True)
class Draw:
    """What a heater draws while on.

    Attributes
    ----------
    well, late : float or None
        While it is well, and from `since` on. [W]
    since : str
        Local date; "" for a heater that is well.
    chance : float
        How likely it draws what it drew although it lost its warmth. [1]
    caveat : str
        In words, for a basis; "" for a heater that is well.
    """

    well: float | None
    late: float | None
    since: str = ""
    chance: float = 0.0
    caveat: str = ""

    def on(self, day: str) -> float | None:
        """Power while on, on one day. [W]"""
        return self.late if self.since and day >= self.since else self.well


@once
def heater_draw(history: History, others: Sequence[History] = ()) -> Draw:
    """Tell what power a heater draws, before and after it failed.

    Where its current passes the pack's sensor, its switchings tell whether one that warms the cells less
    draws less; elsewhere what is missing between full charges does.

    Parameters
    ----------
    history : History
    others : sequence of History
        Packs in parallel, which take over part of a heater's current.

    Returns
    -------
    Draw
    """
    watts, trouble = heater_watts(history, others), heater_trouble(history, others)
    facts, usual = history.facts, watts.power.value
    if trouble is None or trouble.what not in {"weak", "no effect"}:
        return Draw(usual, usual)
    weak, since = trouble.what == "weak", trouble.since
    well = usual
    if usual is not None and weak:
        heat_wh_k = HEAT_WH_PER_K * facts.rated_ah / 280.0 * facts.n_cells / 16.0
        well = trouble.usual if trouble.by == "current" else facts.heater_w or trouble.usual * heat_wh_k
    if well is None:
        return Draw(None, None, since, caveat=_caveat(trouble, 0.0))
    less = well * (1 - trouble.value) if weak else 0.0
    likely = AS_BEFORE if may_draw_on(trouble) else 0.0
    if weak and not likely:
        chance = 0.0
    elif watts.boundary == "inside":
        told = _by_steps(history, others, since, well, less)
        chance = likely if told is None else told
    else:
        parts = stretches(heated_windows(history))
        chance = drew_as_before(parts[-1] if parts else (), heater_path(history))
    return Draw(well, well if chance >= CERTAIN else less, since, chance, _caveat(trouble, chance))


def _by_steps(
    history: History, others: Sequence[History], since: str, well: float, less: float
) -> float | None:
    """How likely a heater inside the sensor draws what it drew, by its switchings since a day. [1]

    None where they are too few to tell.
    """
    days, steps = dated_steps(history, others)
    late = steps[[day >= since for day in days]]
    if late.size < LEAST_STEPS:
        return None
    middle = float(np.median(late))
    spread = 1.4826 * float(np.median(np.abs(late - middle)))
    u = math.hypot(1.2533 * spread / math.sqrt(late.size), STEP_U * well)
    told = 0.5 * ((middle - less) ** 2 - (middle - well) ** 2) / u**2
    return 1 / (1 + math.exp(-min(max(told, -50.0), 50.0)))


def _caveat(trouble: HeaterTrouble, chance: float) -> str:
    weak, since = trouble.what == "weak", trouble.since
    percent = f"{100 * trouble.value:.0f} %"
    if weak and trouble.by == "current":
        return f"; {percent} less power from {since} on"
    lost = f"{percent} less warmth" if weak else "switched on without effect"
    if chance >= CERTAIN:
        return f"; {lost} from {since} on, at the power it had"
    so = "as much less power counted" if weak else "no power counted"
    return f"; {lost} from {since} on, {so}{'' if chance <= 1 - CERTAIN else ', perhaps it draws on'}"
