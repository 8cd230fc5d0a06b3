"""The weather of a hill farm, invented: temperature and sunshine as pure functions of date and seed."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

LATITUDE_DEG = 47.3
TILT_DEG = 50.0
DAY_S = 86400.0


@dataclass(frozen=True, slots=True)
class Climate:
    """Seasonal course of the place.

    Attributes
    ----------
    mean_c, swing_c : float
        Mean of the year, and half the difference between summer and winter. [°C]
    front_c : float
        Spread of the fronts that pass every few days. [°C]
    daily_c : float
        Half the day–night difference under a clear sky. [°C]
    pv_w : float
        Rated power of the solar array. [W]
    seed : int
        Another seed is another run of years.
    """

    mean_c: float = 5.0
    swing_c: float = 11.0
    front_c: float = 4.5
    daily_c: float = 4.5
    pv_w: float = 14500.0
    seed: int = 7


def _anchor(seed: int, stream: int, index: int) -> float:
    return float(np.random.default_rng([seed, stream, index + 100000]).standard_normal())


def _smooth(climate: Climate, stream: int, every_days: float, day: float) -> float:
    """Gaussian value that wanders over the days: cosine between random anchors."""
    position = day / every_days
    low = math.floor(position)
    weight = 0.5 - 0.5 * math.cos(math.pi * (position - low))
    a, b = _anchor(climate.seed, stream, low), _anchor(climate.seed, stream, low + 1)
    return (a * (1 - weight) + b * weight) / math.sqrt(weight**2 + (1 - weight) ** 2)


def clearness(climate: Climate, day: int) -> float:
    """Return the share of clear-sky sun that day brings, 0.08–1; `day` counts from 1970-01-01."""
    season = math.cos(2 * math.pi * (day - 15) / 365.25)
    value = 0.75 * _smooth(climate, 1, 2.3, day) + 0.66 * _anchor(climate.seed, 2, day) + 0.35 - 0.30 * season
    return min(1.0, max(0.08, 0.5 + 0.48 * math.tanh(1.25 * value)))


def outside_c(climate: Climate, time_s: Array) -> Array:
    """Return the outside temperature at UTC epoch seconds. [°C]"""
    day = time_s / DAY_S
    low, high = math.floor(float(day[0])) - 1, math.ceil(float(day[-1])) + 1
    days = np.arange(low, high + 1, dtype=float)
    front = np.interp(day, days, [climate.front_c * _smooth(climate, 3, 4.0, d) for d in days])
    clear = np.interp(day, days, [clearness(climate, int(d)) for d in days])
    season = climate.mean_c - climate.swing_c * np.cos(2 * np.pi * (day - 20) / 365.25)
    swing = climate.daily_c * (0.3 + 0.7 * clear) * np.cos(2 * np.pi * (day - 14.2 / 24))
    return np.asarray(season + front + swing)


def clear_sky(time_s: Array) -> Array:
    """Return the sun on the tilted, south-facing array under a clear sky, 0–1.

    References
    ----------
    Solar declination and hour angle: P. I. Cooper, Solar Energy 12 (1969) 333, eq. 1 (from memory); the
    air-mass loss is common practice, no source.
    """
    day = time_s / DAY_S
    declination = np.radians(23.45) * np.sin(2 * np.pi * (day % 365.25 + 284) / 365.0)
    hour = 2 * np.pi * (day % 1.0 - 0.5 + 14.5 / 360.0)
    latitude, tilted = math.radians(LATITUDE_DEG), math.radians(LATITUDE_DEG - TILT_DEG)
    height = math.sin(latitude) * np.sin(declination) + math.cos(latitude) * np.cos(declination) * np.cos(
        hour
    )
    onto = math.sin(tilted) * np.sin(declination) + math.cos(tilted) * np.cos(declination) * np.cos(hour)
    air = 0.72 ** (1.0 / np.clip(height, 0.05, None) ** 0.68)
    return np.asarray(np.where(height > 0, np.clip(onto, 0, None) * air * 1.32, 0.0))


def solar_w(climate: Climate, time_s: Array) -> Array:
    """Return the power the array could give, at an even grid of UTC epoch seconds. [W]

    Clouds pass in minutes on mixed days; clear and dull days are steady.
    """
    coarse = np.arange(math.floor(time_s[0] / 20) * 20, time_s[-1] + 40, 20.0)
    day = math.floor(float(time_s[len(time_s) // 2]) / DAY_S)
    clear = clearness(climate, day)
    mixed = max(0.0, 1 - abs(clear - 0.55) / 0.4)
    rng = np.random.default_rng([climate.seed, 5, day])
    knots = rng.uniform(0.25, 1.0, size=len(coarse) // 12 + 3)
    cloud = np.interp(np.arange(len(coarse)) / 12.0, np.arange(len(knots)), knots)
    gate = 1 - mixed * (1 - np.clip((cloud - 0.35) * 2.5, 0.15, 1.0))
    share = clear_sky(coarse) * clear * gate / max(0.2, float(gate.mean()))
    return np.asarray(climate.pv_w * np.clip(np.interp(time_s, coarse, share), 0, 1.05))
