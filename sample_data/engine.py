"""The physics, one step at a time: charge, sharing, heat, protection and the inverter's regulation.

Voltages at a step's end are solved implicitly (equilibrium curve linearised over the step), so that the
steep knees stay stable at steps of 30 s.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sample_data.bank import BankDay, PackDay, Scenario
from sample_data.cell import GRID_LOW, GRID_STEP, arrhenius
from sample_data.state import BankState, PackState

Array = NDArray[np.float64]
Trip = tuple[int, int, str]  # pack index, cell number, "high" or "low"

CELL_HIGH_V, CELL_HIGH_CLEAR_V = 3.65, 3.42
CELL_LOW_V, CELL_LOW_CLEAR_V = 2.60, 3.05
TAPER_V = (3.52, 3.62)  # the charge limit falls to nothing between these
HALL_TAU_S = 7 * 3600.0
CORE_J_K, PLATE_J_K = 46e3, 7e3  # half the cells each; 16 × 5.4 kg at about 1070 J/kg/K in all
INNER_W_K, PLATE_W_K = 11.0, 9.0
LOSS_MID_W_K, LOSS_END_W_K, LOSS_PLATE_W_K = 0.6, 1.9, 0.5
BOARD_RISE = (3.0, 0.0007)  # electronics above the outer cells: K, K/A²
ODD_END_C = 0.4  # the outer cells by the door are a little colder


@dataclass(slots=True)
class PackStep:
    """What one pack did in one step; currents are positive while charging. [A]"""

    bus_a: float
    cell_a: float
    heater_w: float
    limit_a: float
    share: float
    balancing: int
    warnings: int
    protections: int


@dataclass(slots=True)
class Step:
    """What the bank did in one step.

    `free` is True when the house alone set the current, `dc_w` the wanted power at the bank, and `ac_w` what
    the inverter feeds the house.
    """

    packs: list[PackStep]
    bus_v: float
    free: bool
    ac_w: float
    trips: list[Trip] = field(default_factory=list)


@dataclass(slots=True)
class _Electrics:
    """One pack's equivalent circuit over the coming step, at its bus end."""

    ocv: Array
    source_v: float
    ohm: float
    cell_ohm: Array


class Engine:
    """Steps a bank in place.

    Parameters
    ----------
    scenario : Scenario
        What the bank is made of.
    state : BankState
        Where it starts; changed in place by `step`.
    """

    def __init__(self, scenario: Scenario, state: BankState) -> None:
        self.scenario = scenario
        self.state = state
        chemistry = scenario.chemistry
        self._table = chemistry.ocv_v
        self._rise = np.append(np.diff(chemistry.ocv_v), 0.0)
        self._age_s = 0.0
        self._limits: list[float] = []

    def begin_day(self, bank: BankDay, day: str) -> None:
        """Take the day's parameters, and put in force what happens at its start."""
        self.bank = bank
        chemistry = self.scenario.chemistry
        for pack, state in zip(bank.packs, self.state.packs, strict=True):
            if day != self.state.day:
                state.charge_ah = state.charge_ah + pack.jump_ah
        self.state.day = day
        self._inverse = [1 / p.capacity_ah for p in bank.packs]
        self._rc = [[c * p.rc_scale for c in chemistry.rc_ohm] for p in bank.packs]
        self._warm()

    def _warm(self) -> None:
        """Renew the temperature-dependent resistances."""
        chemistry = self.scenario.chemistry
        self._age_s = 0.0
        self._r0: list[Array] = []
        self._r1: list[list[Array]] = []
        for k, (pack, state) in enumerate(zip(self.bank.packs, self.state.packs, strict=True)):
            temps = cell_temps(pack.spec.n_cells, state.mid_c, state.end_c)
            self._r0.append(pack.r0_ohm * arrhenius(temps, chemistry.r0_slope_k) + pack.link_ohm)
            slopes = chemistry.rc_slope_k
            self._r1.append([ohm * arrhenius(temps, slopes[j]) for j, ohm in enumerate(self._rc[k])])

    def step(self, dt: float, pv_w: float, load_w: float, outside_c: float) -> Step:
        """Advance the bank.

        Parameters
        ----------
        dt : float
            Step. [s]
        pv_w, load_w : float
            Power the sun offers, and AC load of the house. [W]
        outside_c : float
            Outside temperature. [°C]

        Returns
        -------
        Step
            What happened; the state has moved on.
        """
        self._age_s += dt
        if self._age_s >= 240:
            self._warm()
        electrics = [self._electrics(k, dt) for k in range(len(self.state.packs))]
        wanted_w, ac_w = self._wanted(pv_w, load_w)
        currents, bus_v, free, shares = self._share(electrics, wanted_w)
        out = Step([], bus_v, free, ac_w)
        for k, (pack, state) in enumerate(zip(self.bank.packs, self.state.packs, strict=True)):
            out.packs.append(self._charge(k, electrics[k], currents[k], shares[k], dt, out.trips))
            self._heat(pack, state, out.packs[-1], dt)
        self._regulate(sum(currents), bus_v, dt)
        self.state.hall_c += dt / HALL_TAU_S * (outside_c + 1.5 - self.state.hall_c)
        self.state.bus_v = bus_v
        return out

    def _electrics(self, k: int, dt: float) -> _Electrics:
        pack, state = self.bank.packs[k], self.state.packs[k]
        chemistry = self.scenario.chemistry
        charge = state.charge_ah
        moved = dt / 3600
        if chemistry.surface_h:
            keep = math.exp(-dt / chemistry.rc_tau_s[1])
            charge = charge + chemistry.surface_h * keep * state.rc_a[1]
            moved += chemistry.surface_h * (1 - keep)
        x = (charge * self._inverse[k] - GRID_LOW) * (1 / GRID_STEP)
        at = x.astype(np.intp)
        rise = self._rise.take(at, mode="clip")
        ocv = self._table.take(at, mode="clip") + rise * (x - at) + chemistry.hysteresis_v * state.branch
        stiff = rise * self._inverse[k] * (moved / GRID_STEP)
        cell_ohm = self._r0[k] + stiff
        source = ocv
        for j, tau in enumerate(chemistry.rc_tau_s):
            if chemistry.rc_ohm[j] == 0:
                continue
            keep = math.exp(-dt / tau)
            cell_ohm = cell_ohm + self._r1[k][j] * (1 - keep)
            source = source + self._r1[k][j] * (keep * state.rc_a[j])
        ohm = float(cell_ohm.sum()) + pack.lead_ohm
        drawn = self._drawn(pack, state)
        return _Electrics(source, float(source.sum()) - drawn * (ohm - pack.lead_ohm), ohm, cell_ohm)

    def _drawn(self, pack: PackDay, state: PackState) -> float:
        """Current the pack's own electronics and heater take from its cells. [A]"""
        return pack.spec.standby_a + (pack.heater_w / max(self.state.bus_v, 40.0) if state.heater else 0.0)

    def _wanted(self, pv_w: float, load_w: float) -> tuple[float, float]:
        """Return the power the inverter wants at the bank [W], and what it feeds the house [W]."""
        inverter, state = self.scenario.inverter, self.state
        if state.grid:
            spare = max(0.0, 0.97 * pv_w - load_w / inverter.efficiency)
            return spare + (inverter.assist_w if state.helped else 0.0), load_w
        return 0.97 * pv_w - load_w / inverter.efficiency - 30.0, load_w

    def _share(
        self, electrics: list[_Electrics], wanted_w: float
    ) -> tuple[list[float], float, bool, list[float]]:
        """Split the current between the packs.

        Returns
        -------
        (list of float, float, bool, list of float)
            Current of each pack [A], voltage of the common busbar [V], whether the house alone set it, and
            the share of each pack in a quick change.
        """
        state, inverter = self.state, self.scenario.inverter
        total = max(-inverter.max_a, min(inverter.max_a, wanted_w / state.bus_v))
        free = abs(total) < inverter.max_a
        if total < 0 and state.grid:
            total, free = 0.0, False
        self._limits = [self._limit(k, e) for k, e in enumerate(electrics)]
        if total > sum(self._limits):
            total, free = sum(self._limits), False
        open_in = [s.charge_ok for s in state.packs]
        open_out = [s.discharge_ok for s in state.packs]
        ceiling = inverter.absorb_v if state.stage != "float" else inverter.float_v
        ceiling_lead = self.bank.bus_lead_ohm
        members = list(range(len(electrics)))
        currents = [0.0] * len(electrics)
        bus_v = state.bus_v
        for _ in range(len(electrics) + 1):
            if not members:
                return currents, bus_v, False, [0.0] * len(electrics)
            conductance = sum(1 / electrics[k].ohm for k in members)
            driven = sum(electrics[k].source_v / electrics[k].ohm for k in members)
            top = (ceiling * conductance - driven) / (1 + ceiling_lead * conductance)
            amps = total
            if total > 0 and amps > top:
                amps, free = max(0.0, top), False
            bus_v = (driven + amps) / conductance
            for k in members:
                currents[k] = (bus_v - electrics[k].source_v) / electrics[k].ohm
            barred = [
                k
                for k in members
                if (currents[k] > 1e-9 and not open_in[k]) or (currents[k] < -1e-9 and not open_out[k])
            ]
            if not barred:
                break
            members = [k for k in members if k not in barred]
            for k in barred:
                currents[k] = 0.0
        shares = [1 / electrics[k].ohm / conductance if k in members else 0.0 for k in range(len(electrics))]
        return currents, bus_v, free, shares

    def _limit(self, k: int, electric: _Electrics) -> float:
        """Charging current the pack asks not to exceed. [A]"""
        pack, state = self.bank.packs[k], self.state.packs[k]
        if not state.charge_ok:
            return 0.0
        coldest = state.coldest_c
        limit = 140.0
        for below, part in ((10.0, 70.0), (5.0, 35.0)):
            if coldest < below:
                limit = part
        if not pack.spec.closed_loop:
            return limit
        # The limit falls from `limit` to nothing as the highest cell goes through TAPER_V.
        span = (TAPER_V[1] - TAPER_V[0]) / limit
        return max(0.0, min(limit, float(((TAPER_V[1] - electric.ocv) / (electric.cell_ohm + span)).min())))

    def _charge(
        self, k: int, electric: _Electrics, bus_a: float, share: float, dt: float, trips: list[Trip]
    ) -> PackStep:
        pack, state = self.bank.packs[k], self.state.packs[k]
        cell_a = bus_a - self._drawn(pack, state)
        volts = electric.ocv + electric.cell_ohm * cell_a
        low, high = float(volts.min()), float(volts.max())
        flow = cell_a - pack.leak_a
        bits = 0
        if high > pack.spec.balance_start_v and bus_a > -2.0:
            on = (volts > pack.spec.balance_start_v) & (volts > low + pack.spec.balance_delta_v)
            flow = flow - pack.balance_a * on
            bits = int(np.dot(on, 1 << np.arange(len(on), dtype=np.int64)))
        state.charge_ah = state.charge_ah + flow * (dt / 3600)
        for j, tau in enumerate(self.scenario.chemistry.rc_tau_s):
            keep = math.exp(-dt / tau)
            state.rc_a[j] = keep * state.rc_a[j] + (1 - keep) * cell_a
        sign = 1.0 if cell_a > 0 else -1.0
        step = abs(cell_a) * dt / 3600 / (0.04 * pack.spec.rated_ah)
        state.branch += min(1.0, step) * (sign - state.branch)
        state.cell_v = volts.tolist()
        state.amps = bus_a
        limit = self._limits[k]
        warnings, protections = protect(state, low, high, trips, k)
        self._believe(pack, state, cell_a if pack.spec.heater_inside else bus_a, high, dt)
        drawn_w = pack.heater_w if state.heater else 0.0
        return PackStep(bus_a, cell_a, drawn_w, limit, share, bits, warnings, protections)

    def _believe(self, pack: PackDay, state: PackState, amps: float, high: float, dt: float) -> None:
        """Advance the pack's own count of its charge, set to full when a charge has tapered."""
        shown = amps * pack.gain + pack.offset_a
        state.soc += shown * dt / 3600 / pack.spec.rated_ah
        if (
            high > 3.44
            and 0 <= shown < 0.05 * pack.spec.rated_ah
            and sum(state.cell_v) > 3.43 * len(state.cell_v)
        ):
            state.soc += min(1.0, dt / 120) * (1.0 - state.soc)
        state.soc = min(1.0, max(0.0, state.soc))

    def _heat(self, pack: PackDay, state: PackState, step: PackStep, dt: float) -> None:
        amps2 = step.cell_a**2
        joule = (
            amps2 * pack.spec.n_cells * (self.scenario.chemistry.r0_ohm + self.scenario.chemistry.rc_ohm[0])
        )
        joule *= 1.6  # at the temperatures of the hall
        hall, loose = self.state.hall_c, pack.spec.insulation
        inner = INNER_W_K * (state.end_c - state.mid_c)
        to_mid, to_end = PLATE_W_K * (state.plate_c - state.mid_c), PLATE_W_K * (state.plate_c - state.end_c)
        mid = joule / 2 + inner + to_mid - loose * LOSS_MID_W_K * (state.mid_c - hall)
        end = joule / 2 - inner + to_end - loose * LOSS_END_W_K * (state.end_c - hall)
        plate = step.heater_w - to_mid - to_end - loose * LOSS_PLATE_W_K * (state.plate_c - hall)
        state.mid_c += dt / CORE_J_K * mid
        state.end_c += dt / CORE_J_K * end
        state.plate_c += dt / PLATE_J_K * plate
        state.coldest_c = coldest = coldest_c(pack, state)
        if coldest < pack.heater_on_c:
            state.heater = True
        elif coldest > pack.heater_off_c:
            state.heater = False
        if coldest <= pack.charge_floor_c:
            state.cold = True
        elif coldest > pack.charge_floor_c + 1.5:
            state.cold = False
        state.charge_ok = not (state.cold or state.high_trip)
        state.discharge_ok = not state.low_trip

    def _regulate(self, total_a: float, bus_v: float, dt: float) -> None:
        """Move the inverter between bulk, absorb and float, and between bank and grid."""
        state, inverter = self.state, self.scenario.inverter
        rated = sum(p.rated_ah for p in self.scenario.packs)
        seen_v = bus_v + self.bank.bus_lead_ohm * total_a
        state.soc_seen += (total_a * inverter.gain + inverter.offset_a) * dt / 3600 / rated
        state.full_ago_s += dt
        if state.stage == "bulk" and seen_v > inverter.absorb_v - 0.05:
            state.stage, state.tail_s = "absorb", 0.0
        # A pack with one high cell ends the charge by its limit, below the absorb voltage: that is full too.
        said_full = min(p.soc for p in state.packs) > 0.995
        if state.stage == "absorb" or (state.stage == "bulk" and said_full):
            state.tail_s = state.tail_s + dt if 0 <= total_a < inverter.tail_c * rated else 0.0
            if state.tail_s >= inverter.hold_s:
                state.stage, state.soc_seen, state.full_ago_s = "float", 1.0, 0.0
            elif seen_v < inverter.absorb_v - 1.2:
                state.stage = "bulk"
        elif state.stage == "float" and state.soc_seen < 0.95:
            state.stage = "bulk"
        state.soc_seen = min(1.0, max(0.0, state.soc_seen))
        lowest = min(state.soc_seen, *(p.soc for p in state.packs))
        overdue = state.full_ago_s > inverter.assist_days * 86400
        if overdue or lowest < inverter.low_soc - 0.05:
            state.helped = True
        elif lowest > inverter.low_soc:
            state.helped = False
        low = seen_v < inverter.low_v or not any(p.discharge_ok for p in state.packs)
        if lowest < inverter.low_soc or low or overdue:
            state.grid = True
        elif lowest > inverter.resume_soc and seen_v > inverter.low_v + 2:
            state.grid = False


def protect(state: PackState, low: float, high: float, trips: list[Trip], k: int) -> tuple[int, int]:
    """Open and close the pack's protections; return its warning and protection bits."""
    if high >= CELL_HIGH_V and not state.high_trip:
        state.high_trip = int(np.argmax(state.cell_v)) + 1
        trips.append((k, state.high_trip, "high"))
    elif state.high_trip and high < CELL_HIGH_CLEAR_V:
        state.high_trip = 0
    if low <= CELL_LOW_V and not state.low_trip:
        state.low_trip = int(np.argmin(state.cell_v)) + 1
        trips.append((k, state.low_trip, "low"))
    elif state.low_trip and low > CELL_LOW_CLEAR_V:
        state.low_trip = 0
    warnings = (high > 3.60) | (low < 2.80) << 1 | (high - low > 0.30) << 2 | (state.coldest_c < 2.0) << 3
    protections = bool(state.high_trip) | bool(state.low_trip) << 1 | state.cold << 2
    return int(warnings), int(protections)


def cell_temps(n: int, mid_c: float, end_c: float) -> Array:
    """Return the temperature of each cell between the outer and the inner ones. [°C]"""
    inward = np.abs(np.linspace(-1, 1, n))
    return np.asarray(mid_c + (end_c - mid_c) * inward**2)


def coldest_c(pack: PackDay, state: PackState) -> float:
    """Return the coldest cell sensor as the pack's electronics see it. [°C]"""
    true = {1: state.end_c - ODD_END_C, 2: state.mid_c, 3: state.mid_c, 4: state.end_c}
    return min(pack.stuck.get(n, t + pack.bias_c.get(n, 0.0)) for n, t in true.items())
