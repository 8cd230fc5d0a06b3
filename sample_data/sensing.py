"""From the bank's true course, block by block, to what its instruments show, sample by sample."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from adapters.channels import CATALOGUE, WITNESS_CATALOGUE, Channel, cell_name, temp_name
from sample_data.bank import BankDay, PackDay, Scenario
from sample_data.cell import Chemistry, arrhenius
from sample_data.engine import BOARD_RISE, ODD_END_C

Array = NDArray[np.float64]
Single = NDArray[np.float32]


@dataclass(slots=True)
class PackCourse:
    """One pack over K blocks; arrays of shape (K,) unless said, state values at each block's start.

    Attributes
    ----------
    charge_ah : array, shape (K + 1, n_cells)
        Charge in each cell at the blocks' borders. [Ah]
    bus_a, share, drawn_a : array
        Current at the busbar, its part in a quick change, and what heater and electronics take. [A], [1], [A]
    rc_a : array, shape (K, pairs)
        Current in each RC pair at the block's start. [A]
    branch, mid_c, end_c, soc, limit_a : array
    heater, charge_ok, discharge_ok, balancing, warnings, protections : array of int64
    """

    charge_ah: Array
    bus_a: Array
    share: Array
    drawn_a: Array
    rc_a: Array
    branch: Array
    mid_c: Array
    end_c: Array
    soc: Array
    limit_a: Array
    heater: NDArray[np.int64]
    charge_ok: NDArray[np.int64]
    discharge_ok: NDArray[np.int64]
    balancing: NDArray[np.int64]
    warnings: NDArray[np.int64]
    protections: NDArray[np.int64]


@dataclass(slots=True)
class BankCourse:
    """The bank over K blocks of `sub` samples each.

    `quick_a` (K, sub) is the house's current about its block mean; `free` says in which blocks it counts.
    """

    packs: list[PackCourse]
    time_ms: NDArray[np.int64]
    sub: int
    period_s: float
    bus_v: Array
    free: NDArray[np.bool_]
    quick_a: Array
    ac_w: Array
    soc_seen: Array
    hall_c: Array


@dataclass(slots=True)
class Shown:
    """What one pack's instruments show, with the truth behind it.

    `bus_a` is the true current at the busbar, `through_a` that through the pack's sensor, `terminal_v` the
    voltage at its terminals, at every sample. [A], [V]
    """

    table: pa.Table
    bus_a: Array
    through_a: Array
    terminal_v: Array


def current(course: BankCourse, pack: PackCourse) -> Array:
    """Return the true current at the busbar at every sample, shape (K, sub). [A]"""
    blocks = len(pack.bus_a)
    level = np.repeat(pack.bus_a[:, None], course.sub, axis=1)
    held = ~course.free
    if held.any() and blocks > 1:
        fine = (np.arange(blocks * course.sub) + 0.5) / course.sub - 0.5
        ramp = np.interp(fine, np.arange(blocks), pack.bus_a).reshape(blocks, course.sub)
        inside = held & np.roll(held, 1) & np.roll(held, -1)
        level = np.where(inside[:, None], ramp, level)
    return np.asarray(level + np.where(held, 0.0, pack.share)[:, None] * course.quick_a)


def _relaxing(start: Array, amps: Array, period_s: float, tau_s: float) -> Array:
    """Current in an RC pair at every sample, exact for a current that is constant between samples."""
    sub = amps.shape[1]
    keep = np.exp(-period_s / tau_s)
    lag = np.arange(sub)[:, None] - 1 - np.arange(sub)[None, :]
    weights = np.where(lag >= 0, (1 - keep) * keep ** np.clip(lag, 0, None), 0.0)
    return np.asarray(start[:, None] * keep ** np.arange(sub) + amps @ weights.T)


def cell_volts(
    chemistry: Chemistry, day: PackDay, course: BankCourse, pack: PackCourse, cell_a: Array
) -> Single:
    """Return the true voltage between each cell's taps, shape (n_cells, K, sub). [V]"""
    n = day.spec.n_cells
    ahead = chemistry.surface_h * np.append(pack.rc_a[:, 1], pack.rc_a[-1, 1])
    ocv = chemistry.equilibrium((pack.charge_ah + ahead[:, None]) / day.capacity_ah).astype(np.float32)
    fraction = (np.arange(course.sub) / course.sub).astype(np.float32)
    start = (ocv[:-1] + (chemistry.hysteresis_v * pack.branch).astype(np.float32)[:, None]).T
    inward = np.abs(np.linspace(-1, 1, n)) ** 2
    temps = pack.mid_c[:, None] + (pack.end_c - pack.mid_c)[:, None] * inward
    ohm = day.r0_ohm * arrhenius(temps, chemistry.r0_slope_k) + day.link_ohm
    volts = np.diff(ocv, axis=0).T[:, :, None] * fraction
    volts += start[:, :, None]
    volts += ohm.T.astype(np.float32)[:, :, None] * cell_a.astype(np.float32)
    for j, tau in enumerate(chemistry.rc_tau_s):
        if chemistry.rc_ohm[j] > 0:
            slow = _relaxing(pack.rc_a[:, j], cell_a, course.period_s, tau).astype(np.float32)
            ohm = chemistry.rc_ohm[j] * day.rc_scale * arrhenius(temps, chemistry.rc_slope_k[j])
            volts += ohm.T.astype(np.float32)[:, :, None] * slow
    return np.asarray(volts, dtype=np.float32)


def _column(channel: Channel, values: Array) -> pa.Array:
    """Stored integers of physical values; what lies outside the channel's range is absent."""
    good = np.isfinite(values) & (values >= channel.low) & (values <= channel.high)
    stored = np.rint(np.where(good, values, 0.0) / channel.scale)
    kind = np.int64 if channel.kind == "bits" else np.int32
    return pa.array(stored.astype(kind), mask=None if good.all() else ~good)


def show_pack(
    scenario: Scenario, day: PackDay, course: BankCourse, pack: PackCourse, rng: np.random.Generator
) -> Shown:
    """Return what one pack reports over the course.

    Parameters
    ----------
    scenario : Scenario
        The place.
    day : PackDay
        The pack's parameters that day.
    course, pack : BankCourse, PackCourse
        The true course.
    rng : numpy.random.Generator
        The only source of noise.

    Returns
    -------
    Shown
        The table of stored integers, and true current and terminal voltage.
    """
    spec = day.spec
    bus_a = current(course, pack)
    volts = cell_volts(scenario.chemistry, day, course, pack, bus_a - pack.drawn_a[:, None])
    flat_a = bus_a.reshape(-1)
    volts = volts.reshape(spec.n_cells, -1)
    terminal = volts.sum(axis=0, dtype=np.float64) + 0.5 * day.lead_ohm * flat_a
    heater_a = np.repeat(pack.drawn_a - spec.standby_a, course.sub) if spec.heater_inside else 0.0
    through_a = flat_a - heater_a
    shown_a = through_a * day.gain + day.offset_a + spec.noise_a * rng.standard_normal(flat_a.size)
    shown_a = spec.step_a * np.rint(shown_a / spec.step_a)
    shown_a = np.where(np.abs(shown_a) < spec.dead_band_a, 0.0, shown_a)
    columns: dict[str, pa.Array] = {
        "time_ms": pa.array(course.time_ms),
        "pack_v": _column(CATALOGUE["pack_v"], terminal + 0.006 * rng.standard_normal(terminal.size)),
        "pack_a": _column(CATALOGUE["pack_a"], shown_a),
    }
    volts += day.sense_v.astype(np.float32)[:, None]
    volts += np.float32(spec.cell_noise_v) * rng.standard_normal(volts.shape, dtype=np.float32)
    stored = np.rint(volts * np.float32(1000)).astype(np.int32)
    state = _state_columns(day, course, pack, rng)
    for name in ("soc", "remaining_ah", "full_ah"):
        columns[name] = state.pop(name)
    for j in range(spec.n_cells):
        columns[cell_name(j + 1)] = pa.array(stored[j])
    columns |= state
    return Shown(pa.table(columns), flat_a, through_a, terminal)


def _state_columns(
    day: PackDay, course: BankCourse, pack: PackCourse, rng: np.random.Generator
) -> dict[str, pa.Array]:
    sub = course.sub
    size = len(pack.mid_c) * sub
    soc = np.repeat(np.rint(pack.soc * 1000) / 1000, sub)
    ends, mids = pack.end_c, pack.mid_c
    sensors = [ends - ODD_END_C, mids, mids + 0.1, ends, ends + BOARD_RISE[0] + BOARD_RISE[1] * pack.bus_a**2]
    values: dict[str, Array] = {
        "soc": soc,
        "remaining_ah": soc * day.spec.rated_ah,
        "full_ah": np.full(size, day.spec.rated_ah),
    }
    for number, truth in enumerate(sensors, start=1):
        shown = np.repeat(truth + day.bias_c.get(number, 0.0), sub) + 0.02 * rng.standard_normal(size)
        values[temp_name(number)] = np.full(size, day.stuck[number]) if number in day.stuck else shown
    low = np.where(pack.discharge_ok > 0, 140.0, 0.0)
    blocks: dict[str, Array] = {
        "heater_on": pack.heater.astype(float),
        "charge_enabled": pack.charge_ok.astype(float),
        "discharge_enabled": pack.discharge_ok.astype(float),
        "balancing": (pack.balancing > 0).astype(float),
        "charge_limit_a": np.rint(pack.limit_a),
        "discharge_limit_a": low,
        "charge_limit_v": np.full(len(pack.soc), 3.5125 * day.spec.n_cells),
        "warnings": pack.warnings.astype(float),
        "protections": pack.protections.astype(float),
        "balancing_cells": pack.balancing.astype(float),
    }
    values |= {name: np.repeat(block, sub) for name, block in blocks.items()}
    return {name: _column(CATALOGUE[name], v) for name, v in values.items()}


def show_witness(
    scenario: Scenario, bank: BankDay, course: BankCourse, shown: list[Shown], rng: np.random.Generator
) -> pa.Table:
    """Return what the inverter reports about the bank: its DC voltage lies behind the lead."""
    inverter = scenario.inverter
    total = sum((s.bus_a for s in shown), np.zeros(course.time_ms.size))
    weights = [np.repeat(p.share, course.sub) for p in course.packs]
    weight = sum(weights, np.zeros(total.size))
    bus = sum(
        (
            w * (s.terminal_v + 0.5 * d.lead_ohm * s.bus_a)
            for w, s, d in zip(weights, shown, bank.packs, strict=True)
        ),
        np.zeros(total.size),
    )
    bus = np.where(weight > 0, bus / np.where(weight > 0, weight, 1.0), np.repeat(course.bus_v, course.sub))
    every = max(1, round(5 / course.period_s))
    at = slice(None, None, every)
    noise = rng.standard_normal((3, total[at].size))
    seen_v = bus[at] + bank.bus_lead_ohm * total[at] + 0.01 * noise[0]
    seen_a = total[at] * inverter.gain + inverter.offset_a + 0.1 * noise[1]
    columns = {
        "dc_v": seen_v,
        "dc_a": 0.1 * np.rint(seen_a / 0.1),
        "ac_w": course.ac_w[at],
        "soc_seen": np.repeat(np.rint(course.soc_seen * 100) / 100, course.sub)[at],
        "ambient": np.repeat(course.hall_c, course.sub)[at] + 0.03 * noise[2],
    }
    arrays = {name: _column(WITNESS_CATALOGUE[name], values) for name, values in columns.items()}
    return pa.table({"time_ms": pa.array(course.time_ms[at]), **arrays})
