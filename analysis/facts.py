"""What the user told us about a pack: ratings, limits, placement, warranty. Defaults are practice."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class WarrantyTerms:
    """Figures the user copied from their own papers; None where the papers are silent."""

    start_day: str | None = None
    years: float | None = None
    capacity_fraction: float | None = None
    throughput_wh: float | None = None
    cycles: float | None = None


@dataclass(frozen=True, slots=True)
class LeadFacts:
    """The conductor between pack and witness: loop length (out and back) [m] and copper area [mm²]."""

    loop_m: float | None = None
    area_mm2: float | None = None


@dataclass(frozen=True, slots=True)
class PackFacts:
    """Ratings and limits of one pack. Defaults: common practice, no source; editable in bank.toml.

    Attributes
    ----------
    name : str
        The pack.
    n_cells : int
        Cells in series.
    rated_ah : float
        Rated capacity. [Ah]
    cell_high_trip_v, cell_low_trip_v : float
        Cell voltages at which the pack's protection opens. [V]
    full_cell_v : float
        Cell voltage that counts as full when the current has tapered. [V]
    taper_c : float
        Current below which a charge counts as finished. [C]
    balance_a : float
        What the balancer can move on one cell. [A]
    balance_start_v : float
        Cell voltage above which balancing runs. [V]
    heater_w : float or None
        Rated heater power, if the user knows it. [W]
    heater_measured : {"inside", "outside", "unknown"}
        Whether the heater's current passes through the pack's current sensor.
    charge_floor_c : float
        Temperature at or below which the pack must not be charged. [°C]
    cell_temps : int
        How many of the first temperature sensors sit on cells; the rest are elsewhere.
    installed : str or None
        Date of commissioning, local.
    """

    name: str
    n_cells: int = 16
    rated_ah: float = 280.0
    cell_high_trip_v: float = 3.65
    cell_low_trip_v: float = 2.5
    full_cell_v: float = 3.45
    taper_c: float = 0.05
    balance_a: float = 0.1
    balance_start_v: float = 3.40
    heater_w: float | None = None
    heater_measured: Literal["inside", "outside", "unknown"] = "unknown"
    charge_floor_c: float = 0.0
    cell_temps: int = 4
    design_cold_c: float = -10.0
    installed: str | None = None
    warranty: WarrantyTerms = WarrantyTerms()
    lead: LeadFacts = LeadFacts()
