"""A bank among its peers: the same cells, a similar age and climate, compared robustly."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

ENOUGH = 8
"""Peers wanted before a comparison is made. Common practice, no source."""
AGE_FACTOR = (1.5, 2.5, 6.0)
"""How far apart in age, as a ratio, peers may be; widened step by step until there are enough."""
CLIMATE_K = (3.0, 6.0, 12.0)
"""How far apart in mean temperature, widened with the age. [K]"""
MAD_TO_SD = 1.4826
"""Scales the median absolute deviation to the standard deviation of a normal sample."""


@dataclass(frozen=True, slots=True)
class PackSummary:
    """What the desk compares of one pack of one bank.

    Attributes
    ----------
    bank, pack : str
        Names (or pseudonyms) of the bank and the pack.
    n_cells : int
        Cells in series.
    rated_ah : float
        Rated capacity. [Ah]
    age_days : float
        Days from commissioning, or from the first record, to the last. [d]
    climate_c : float or None
        Mean temperature of the record: ambient, or the coldest cell in its stead. [°C]
    numbers : mapping of str to float
        Quantity to value, each in the unit its name ends with.
    """

    bank: str
    pack: str
    n_cells: int
    rated_ah: float
    age_days: float
    climate_c: float | None
    numbers: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Place:
    """Where one number of a pack stands among its peers.

    Attributes
    ----------
    quantity : str
    value, median, spread : float
        The pack's, and the peers' median and robust standard deviation, in the quantity's unit.
    z : float
        Distance from the median in robust standard deviations.
    peers : int
        How many were compared.
    """

    quantity: str
    value: float
    median: float
    spread: float
    z: float
    peers: int


def _alike(one: PackSummary, other: PackSummary, age: float, climate_k: float) -> bool:
    if one.n_cells != other.n_cells or abs(one.rated_ah - other.rated_ah) > 0.05 * one.rated_ah:
        return False
    ages = sorted((max(one.age_days, 1.0), max(other.age_days, 1.0)))
    if ages[1] / ages[0] > age:
        return False
    known = one.climate_c is not None and other.climate_c is not None
    return not known or abs((one.climate_c or 0.0) - (other.climate_c or 0.0)) <= climate_k


def peers_of(one: PackSummary, packs: Sequence[PackSummary]) -> tuple[PackSummary, ...]:
    """Return the packs comparable with one: never itself, nor another pack of its own bank.

    The same cell count and rated capacity (within 5 %) always; age and climate as close as `ENOUGH` peers
    allow. Fewer than `ENOUGH` may come back.
    """
    others = [p for p in packs if p.bank != one.bank]
    found: tuple[PackSummary, ...] = ()
    for age, climate_k in zip(AGE_FACTOR, CLIMATE_K, strict=True):
        found = tuple(p for p in others if _alike(one, p, age, climate_k))
        if len(found) >= ENOUGH:
            break
    return found


def place(one: PackSummary, packs: Sequence[PackSummary], floors: Mapping[str, float]) -> tuple[Place, ...]:
    """Return where each number of a pack stands among its peers.

    Parameters
    ----------
    one : PackSummary
    packs : sequence of PackSummary
        The whole fleet; `one` may be among them.
    floors : mapping of str to float
        Smallest spread taken for a quantity, in its unit, so that a uniform fleet does not make a trifle
        look rare; only quantities named here are compared.

    Returns
    -------
    tuple of Place
        For quantities that the pack and at least `ENOUGH` peers have; the farthest from the median first.

    References
    ----------
    Iglewicz and Hoaglin, "How to Detect and Handle Outliers" (1993), modified z-score by the median absolute
    deviation (from memory).
    """
    group = peers_of(one, packs)
    out = []
    for quantity, floor in floors.items():
        if quantity not in one.numbers:
            continue
        values = np.array([p.numbers[quantity] for p in group if quantity in p.numbers])
        values = values[np.isfinite(values)]
        if len(values) < ENOUGH:
            continue
        median = float(np.median(values))
        spread = max(float(np.median(np.abs(values - median))) * MAD_TO_SD, floor)
        value = one.numbers[quantity]
        out.append(Place(quantity, value, median, spread, (value - median) / spread, len(values)))
    return tuple(sorted(out, key=lambda p: -abs(p.z)))
