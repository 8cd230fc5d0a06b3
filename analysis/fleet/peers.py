"""A bank among its peers: the same cells, a similar age and climate, compared robustly."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.frame import F64, Int

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


@dataclass(frozen=True, slots=True, eq=False)
class Crowd:
    """The packs of a fleet as columns, so that each can be held against all others quickly.

    Attributes
    ----------
    packs : tuple of PackSummary
    bank : dict of str to int
        A number for each bank.
    bank_no, n_cells, rated_ah, age_days, climate_c : array, shape (n,)
        NaN where a climate is not known. Age is at least a day.
    numbers : dict of str to array, shape (n,)
        NaN where a pack does not have the quantity.
    """

    packs: tuple[PackSummary, ...]
    bank: dict[str, int]
    bank_no: Int
    n_cells: Int
    rated_ah: F64
    age_days: F64
    climate_c: F64
    numbers: dict[str, F64]

    @classmethod
    def of(cls, packs: Sequence[PackSummary]) -> Crowd:
        """Arrange packs as columns."""
        bank: dict[str, int] = {}
        for p in packs:
            bank.setdefault(p.bank, len(bank))
        quantities = sorted({q for p in packs for q in p.numbers})
        return cls(
            packs=tuple(packs),
            bank=bank,
            bank_no=np.array([bank[p.bank] for p in packs], dtype=np.int64),
            n_cells=np.array([p.n_cells for p in packs], dtype=np.int64),
            rated_ah=np.array([p.rated_ah for p in packs], dtype=float),
            age_days=np.maximum([p.age_days for p in packs], 1.0),
            climate_c=np.array([np.nan if p.climate_c is None else p.climate_c for p in packs], dtype=float),
            numbers={q: np.array([p.numbers.get(q, np.nan) for p in packs], dtype=float) for q in quantities},
        )

    def peers(self, one: PackSummary) -> Int:
        """Return the places in `packs` of the packs comparable with one; see `peers_of`."""
        same = (
            (self.bank_no != self.bank.get(one.bank, -1))
            & (self.n_cells == one.n_cells)
            & (np.abs(self.rated_ah - one.rated_ah) <= 0.05 * one.rated_ah)
        )
        own_age = max(one.age_days, 1.0)
        apart = np.maximum(self.age_days, own_age) / np.minimum(self.age_days, own_age)
        colder = np.abs(self.climate_c - (np.nan if one.climate_c is None else one.climate_c))
        found = np.empty(0, dtype=np.int64)
        for age, climate_k in zip(AGE_FACTOR, CLIMATE_K, strict=True):
            found = np.flatnonzero(same & (apart <= age) & ~(colder > climate_k))  # unknown is no obstacle
            if found.size >= ENOUGH:
                break
        return found


def peers_of(one: PackSummary, packs: Sequence[PackSummary]) -> tuple[PackSummary, ...]:
    """Return the packs comparable with one: never itself, nor another pack of its own bank.

    The same cell count and rated capacity (within 5 %) always; age and climate as close as `ENOUGH` peers
    allow. Fewer than `ENOUGH` may come back.
    """
    crowd = Crowd.of(packs)
    return tuple(crowd.packs[i] for i in crowd.peers(one).tolist())


def place(one: PackSummary, fleet: Crowd, floors: Mapping[str, float]) -> tuple[Place, ...]:
    """Return where each number of a pack stands among its peers.

    Parameters
    ----------
    one : PackSummary
    fleet : Crowd
        `one` may be in it.
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
    group = fleet.peers(one)
    out = []
    for quantity, floor in floors.items():
        if quantity not in one.numbers or quantity not in fleet.numbers:
            continue
        values = fleet.numbers[quantity][group]
        values = values[np.isfinite(values)]
        if len(values) < ENOUGH:
            continue
        median = float(np.median(values))
        spread = max(float(np.median(np.abs(values - median))) * MAD_TO_SD, floor)
        value = one.numbers[quantity]
        out.append(Place(quantity, value, median, spread, (value - median) / spread, len(values)))
    return tuple(sorted(out, key=lambda p: -abs(p.z)))
