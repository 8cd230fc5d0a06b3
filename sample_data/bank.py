"""What a simulated bank is made of: packs, inverter, household, weather and faults, day by day."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from sample_data.cell import HILL, Chemistry
from sample_data.household import Household
from sample_data.weather import Climate

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PackSpec:
    """One pack as delivered; the scatter between its cells comes from the seed.

    Attributes
    ----------
    name : str
    n_cells : int
    rated_ah : float
        Nameplate. [Ah]
    capacity_ah, capacity_sd : float
        Mean and relative spread of the true capacities. [Ah], [1]
    resistance_sd : float
        Relative spread of the resistances.
    start_sd_ah : float
        Spread of the charge the cells were delivered with. [Ah]
    leak_a, leak_sd : float
        Ordinary self-discharge of a cell and its spread. [A]
    link_ohm : float
        Link and terminal resistance that each cell's taps include. [Ω]
    lead_ohm : float
        Cable, contactor and fuse from cells to the common busbar; half of it beyond the terminals. [Ω]
    balance_a, balance_start_v, balance_delta_v : float
        Passive balancer: current [A], cell voltage above which it works, and lead over the lowest cell [V].
    heater_w, heater_on_c, heater_off_c : float
        Heater power [W]; coldest sensor at which it starts and stops [°C].
    heater_inside : bool
        Whether the heater's current passes through the pack's current sensor.
    charge_floor_c : float
        Coldest sensor at or below which charging is refused. [°C]
    standby_a : float
        What the electronics draw from the cells without passing the sensor. [A]
    gain, offset_a, noise_a, step_a, dead_band_a : float
        Current sensor: true × gain + offset, noise, resolution, and what it shows as zero. [1], [A]
    cell_sd_v, cell_noise_v : float
        Fixed error of each cell's converter, and its noise. [V]
    closed_loop : bool
        Whether the inverter obeys the pack's falling charge limit near the top.
    insulation : float
        Factor on the heat loss of the box.
    seed : int
    """

    name: str
    n_cells: int = 16
    rated_ah: float = 280.0
    capacity_ah: float = 283.0
    capacity_sd: float = 0.004
    resistance_sd: float = 0.03
    start_sd_ah: float = 0.35
    leak_a: float = 0.0025
    leak_sd: float = 0.0003
    link_ohm: float = 0.02e-3
    lead_ohm: float = 2.4e-3
    balance_a: float = 0.1
    balance_start_v: float = 3.40
    balance_delta_v: float = 0.008
    heater_w: float = 140.0
    heater_on_c: float = 0.0
    heater_off_c: float = 5.0
    heater_inside: bool = True
    charge_floor_c: float = 0.0
    standby_a: float = 0.02
    gain: float = 1.003
    offset_a: float = 0.03
    noise_a: float = 0.05
    step_a: float = 0.1
    dead_band_a: float = 0.0
    cell_sd_v: float = 0.0006
    cell_noise_v: float = 0.0004
    closed_loop: bool = True
    insulation: float = 1.0
    seed: int = 1


@dataclass(slots=True)
class PackDay:
    """One pack as it is on one day: everything a fault can move.

    Arrays have shape (n_cells,). `sense_v` is an error of the taps, `jump_ah` charge added at the day's
    start [Ah]; `stuck` maps a sensor's number to the value it shows for ever, `bias_c` to its error.
    """

    spec: PackSpec
    capacity_ah: Array
    leak_a: Array
    r0_ohm: Array
    rc_scale: Array
    link_ohm: Array
    sense_v: Array
    jump_ah: Array
    lead_ohm: float
    gain: float
    offset_a: float
    balance_a: float
    heater_w: float
    heater_on_c: float
    heater_off_c: float
    charge_floor_c: float
    stuck: dict[int, float] = field(default_factory=dict)
    bias_c: dict[int, float] = field(default_factory=dict)


@dataclass(slots=True)
class BankDay:
    """The whole bank on one day: its packs and the lead to the inverter. [Ω]"""

    packs: list[PackDay]
    bus_lead_ohm: float


@dataclass(frozen=True, slots=True)
class Inverter:
    """The inverter and charger between bank and house, and how it is set.

    Attributes
    ----------
    absorb_v, float_v : float
        Charging voltage at its own terminals [V]; it holds absorb until the current has tapered.
    tail_c : float
        Current of the bank at which absorb may end. [C]
    hold_s : float
        How long the tail must last. [s]
    max_a : float
        Limit of the current either way. [A]
    low_soc, resume_soc : float
        State of charge, as it believes, at which the grid takes over and at which the bank comes back. [1]
    low_v : float
        Voltage under load at which it does the same. [V]
    lead_ohm : float
        Cable from the common busbar, out and back. [Ω]
    assist_days : float
        After so many days without a full charge the grid helps to reach one. [d]
    assist_w : float
        With how much; also keeps an idle bank from running down. [W]
    gain, offset_a : float
        Its own current sensor.
    """

    absorb_v: float = 55.9
    float_v: float = 53.9
    tail_c: float = 0.03
    hold_s: float = 1200.0
    max_a: float = 190.0
    low_soc: float = 0.20
    resume_soc: float = 0.26
    low_v: float = 48.0
    lead_ohm: float = 0.65e-3
    assist_days: float = 6.0
    assist_w: float = 4200.0
    efficiency: float = 0.94
    gain: float = 0.997
    offset_a: float = -0.15


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong, with its truth.

    Attributes
    ----------
    kind : str
        A finding kind.
    pack : str
        Pack name, or "bank".
    cell : int or None
        Cell (or temperature sensor) number from 1.
    size : float
        In the unit of the kind; see `change`.
    onset_day : int
        Days after the first day of the simulation on which it begins.
    ramp_days : float
        How long it takes to reach its size; 0 is at once.
    variant : str
        Which form, where a kind has several.
    """

    kind: str
    pack: str
    cell: int | None
    size: float
    onset_day: int = 0
    ramp_days: float = 0.0
    variant: str = ""

    def at(self, day: int) -> float:
        """Return the size it has on a day of the simulation."""
        if day < self.onset_day:
            return 0.0
        if self.ramp_days <= 0:
            return self.size
        return self.size * min(1.0, (day - self.onset_day + 1) / self.ramp_days)


@dataclass(frozen=True, slots=True)
class Scenario:
    """A place: bank, inverter, household, weather, faults."""

    name: str
    packs: tuple[PackSpec, ...]
    timezone: str = "Europe/Vienna"
    chemistry: Chemistry = HILL
    inverter: Inverter = Inverter()
    household: Household = field(default_factory=Household)
    climate: Climate = field(default_factory=Climate)
    faults: tuple[Fault, ...] = ()
    witness: str = "hall"
    block_s: int = 30
    seed: int = 3


def bank_day(scenario: Scenario, day: int) -> BankDay:
    """Return the bank as it is on day number `day` of the simulation (0 is the first)."""
    packs = [_fresh(spec, scenario.chemistry) for spec in scenario.packs]
    bank = BankDay(packs, scenario.inverter.lead_ohm)
    rng = np.random.default_rng([scenario.seed, 77, day + 1])
    for fault in scenario.faults:
        size = fault.at(day)
        wobble = float(rng.standard_normal())
        if size == 0:
            continue
        if fault.kind == "lead_resistance":
            bank.bus_lead_ohm += size
            continue
        for pack in packs:
            if fault.pack in (pack.spec.name, "bank"):
                _CHANGES[fault.kind](pack, _Now(fault, size, wobble, day))
    return bank


def _fresh(spec: PackSpec, chemistry: Chemistry) -> PackDay:
    rng = np.random.default_rng([spec.seed, 1])
    n = spec.n_cells
    capacity = spec.capacity_ah * (1 + spec.capacity_sd * rng.standard_normal(n))
    leak = np.clip(spec.leak_a + spec.leak_sd * rng.standard_normal(n), 0, None)
    r0 = chemistry.r0_ohm * (1 + spec.resistance_sd * rng.standard_normal(n))
    rc = 1 + spec.resistance_sd * rng.standard_normal(n)
    sense = spec.cell_sd_v * rng.standard_normal(n)
    return PackDay(
        spec=spec,
        capacity_ah=capacity,
        leak_a=leak,
        r0_ohm=r0,
        rc_scale=rc,
        link_ohm=np.full(n, spec.link_ohm),
        sense_v=sense,
        jump_ah=np.zeros(n),
        lead_ohm=spec.lead_ohm,
        gain=spec.gain,
        offset_a=spec.offset_a,
        balance_a=spec.balance_a,
        heater_w=spec.heater_w,
        heater_on_c=spec.heater_on_c,
        heater_off_c=spec.heater_off_c,
        charge_floor_c=spec.charge_floor_c,
    )


def start_charge(spec: PackSpec) -> Array:
    """Return the scatter of charge between the cells on the first day. [Ah]"""
    rng = np.random.default_rng([spec.seed, 2])
    return np.asarray(spec.start_sd_ah * rng.standard_normal(spec.n_cells))


@dataclass(frozen=True, slots=True)
class _Now:
    """A fault as it is today: its size, a standard-normal wobble of the day, and the day's number."""

    fault: Fault
    size: float
    wobble: float
    day: int

    @property
    def index(self) -> int:
        if self.fault.cell is None:
            raise ValueError(f"a fault of kind {self.fault.kind} needs a cell or sensor number")
        return self.fault.cell - 1


def _leak(pack: PackDay, now: _Now) -> None:
    pack.leak_a[now.index] += now.size * (1 + 0.05 * now.wobble)


def _static(pack: PackDay, now: _Now) -> None:
    if now.day == now.fault.onset_day:
        pack.jump_ah[now.index] = now.size


def _low_capacity(pack: PackDay, now: _Now) -> None:
    pack.capacity_ah[now.index] *= 1 - now.size


def _high_resistance(pack: PackDay, now: _Now) -> None:
    pack.r0_ohm[now.index] *= 1 + now.size
    pack.rc_scale[now.index] *= 1 + now.size


def _loose_link(pack: PackDay, now: _Now) -> None:
    size = now.size * float(np.exp(0.25 * now.wobble))
    share = 1.0 if now.fault.variant == "one" else 0.5
    pack.link_ohm[now.index] += share * size
    if share < 1:
        pack.link_ohm[now.index + 1] += (1 - share) * size


def _sense_lead(pack: PackDay, now: _Now) -> None:
    size = now.size * (1 + 0.3 * now.wobble)
    pack.sense_v[now.index] += size
    pack.sense_v[now.index + 1] -= size


def _temperature(pack: PackDay, now: _Now) -> None:
    target = pack.stuck if now.fault.variant == "stuck" else pack.bias_c
    target[now.index + 1] = now.size


def _current(pack: PackDay, now: _Now) -> None:
    if now.fault.variant == "gain":
        pack.gain *= 1 + now.size
    else:
        pack.offset_a += now.size


def _sharing(pack: PackDay, now: _Now) -> None:
    pack.lead_ohm += now.size


def _heater(pack: PackDay, now: _Now) -> None:
    pack.heater_w *= 1 - now.size


def _cold(pack: PackDay, now: _Now) -> None:
    pack.charge_floor_c -= now.size
    pack.heater_on_c -= now.size
    pack.heater_off_c -= now.size


def _behind(pack: PackDay, now: _Now) -> None:
    pack.balance_a = min(pack.balance_a, 0.03)
    rng = np.random.default_rng([pack.spec.seed, 9])
    pack.leak_a += now.size * rng.uniform(0, 1, pack.spec.n_cells)


def _fade(pack: PackDay, now: _Now) -> None:
    pack.capacity_ah *= 1 - now.size * max(0, now.day - now.fault.onset_day) / 365.25


def _nothing(pack: PackDay, now: _Now) -> None:
    """A gap in the record changes nothing in the bank; see `sample_data.telemetry`."""


_CHANGES: dict[str, Callable[[PackDay, _Now], None]] = {
    "self_discharge": _leak,  # A
    "static_offset": _static,  # Ah, once
    "low_capacity": _low_capacity,  # fraction
    "high_resistance": _high_resistance,  # fraction
    "loose_link": _loose_link,  # Ω
    "sense_lead": _sense_lead,  # V
    "temperature_sensor": _temperature,  # °C
    "current_sensor": _current,  # A, or fraction for a gain
    "uneven_sharing": _sharing,  # Ω
    "heater_fault": _heater,  # fraction of the power lost
    "cold_charging": _cold,  # K below the floor
    "balancing_behind": _behind,  # A, the largest
    "capacity_fade": _fade,  # fraction a year
    "data_gap": _nothing,
}


def with_faults(scenario: Scenario, *faults: Fault, name: str = "") -> Scenario:
    """Return the scenario with these faults only, and optionally another name."""
    return replace(scenario, faults=faults, name=name or scenario.name)
