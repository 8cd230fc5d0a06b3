"""What the cider house and the farm draw, second by second: a pure function of date and seed."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Household:
    """How much the place uses.

    Attributes
    ----------
    base_w : float
        What never stops. [W]
    compressor_w : float
        Cold store and heat pump, cycling. [W]
    winter_share, summer_share : float
        Part of the time the compressor runs.
    scale : float
        Factor on everything.
    seed : int
        Another seed is another family.
    """

    base_w: float = 330.0
    compressor_w: float = 1450.0
    winter_share: float = 0.44
    summer_share: float = 0.38
    scale: float = 1.0
    seed: int = 11


# name: power [W], duration [s] (low, high), hours of the day (low, high), how many a day (low, high)
_APPLIANCES = (
    ("kettle", 2100.0, (120, 240), (5.5, 21.5), (3, 7)),
    ("hob", 2800.0, (400, 1500), (11.0, 12.8), (1, 2)),
    ("oven", 3300.0, (300, 700), (17.3, 19.5), (2, 4)),
    ("boiler", 3600.0, (900, 2600), (20.5, 22.0), (1, 1)),
    ("pump", 950.0, (60, 260), (5.0, 22.0), (6, 14)),
    ("washing", 2000.0, (500, 1100), (8.0, 15.0), (0, 2)),
    ("saw", 2600.0, (40, 240), (9.0, 16.5), (0, 9)),
    ("toast", 1200.0, (100, 200), (6.0, 8.0), (1, 3)),
)
_PRESS = ("press", 4200.0, (300, 1400), (9.0, 17.0), (4, 9))


def load_w(household: Household, day: int, seconds: int) -> Array:
    """Return the AC load of one local day. [W]

    Parameters
    ----------
    household : Household
        Who lives there.
    day : int
        Days since 1970-01-01 (local date).
    seconds : int
        Length of the day. [s]

    Returns
    -------
    array, shape (seconds,)
        Load in each second.
    """
    rng = np.random.default_rng([household.seed, day])
    season = 0.5 + 0.5 * math.cos(2 * math.pi * (day - 15) / 365.25)
    load = np.full(seconds, household.base_w)
    share = household.summer_share + (household.winter_share - household.summer_share) * season
    _cycle(load, rng, household.compressor_w, share * rng.uniform(0.85, 1.15))
    _cycle(load, rng, 120.0, 0.35)
    autumn = 230 < (day % 365.25) < 335
    for _, power, length, hours, count in (*_APPLIANCES, *((_PRESS,) if autumn and day % 7 < 3 else ())):
        for _ in range(int(rng.integers(count[0], count[1] + 1))):
            start = int(rng.uniform(*hours) * 3600)
            stop = start + int(rng.uniform(*length))
            load[start:stop] += power * rng.uniform(0.93, 1.07)
    evening = np.clip(1 - np.abs(np.arange(seconds) / 3600.0 - 20.0) / 3.5, 0, 1)
    return np.asarray(household.scale * (load + 260.0 * evening + 6.0 * rng.standard_normal(seconds)))


def _cycle(load: Array, rng: np.random.Generator, power_w: float, share: float) -> None:
    """Add a machine that runs `share` of the time in cycles of 12 to 40 minutes."""
    start = -int(rng.uniform(0, 1800))
    while start < len(load):
        period = rng.uniform(720, 2400)
        stop = int(start + period * min(0.95, share * rng.uniform(0.8, 1.2)))
        load[max(start, 0) : max(stop, 0)] += power_w * rng.uniform(0.96, 1.04)
        start = int(start + period)
