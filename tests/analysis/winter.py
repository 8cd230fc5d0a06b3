"""A made-up bank in the cold: heat by one lump of cells, current by resistances, truth kept beside."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from analysis.digest import DayDigest, digest
from analysis.facts import PackFacts
from analysis.frame import F64, Bool, Frame, WitnessFrame
from analysis.history import History
from tests.analysis.made import OCV, SOC

DAY0 = 1_764_547_200.0  # 2025-12-01 00:00 UTC
HEAT_WH_K, UA_W_K = 25.0, 3.0


@dataclass
class Bank:
    """One or two packs. `share` is the first pack's part of every current; `leads` in ohm.

    `reaches` is the part of the heater's warmth that reaches the cells from a day on.
    """

    packs: int = 1
    share: float = 0.5
    leads: tuple[float, float] = (1e-3, 1e-3)
    bus_ohm: float = 0.5e-3
    watts: float = 120.0
    inside: bool = True
    flags: bool = True
    ambient_c: float = -6.0
    swing_c: float = 3.0
    wander_c: float = 3.0
    period_s: float = 10.0
    rated_ah: float = 280.0
    heater_dead_from: int = 10_000
    reaches: tuple[int, float] = (10_000, 1.0)
    charge_a: float = 40.0
    floor: bool = True
    sensor: dict[int, tuple[str, float, int]] = field(default_factory=dict)  # fault, size, from day
    offset_a: float = 0.0
    gain: float = 1.0
    lead_step: tuple[int, float] = (10_000, 0.0)
    seed: int = 3

    def __post_init__(self) -> None:
        self.rng = np.random.default_rng(self.seed)
        self.temp = 3.0
        self.on = False
        self.soc = 0.6
        self.truth: list[dict[str, float]] = []

    def facts(self, name: str, *, heater_w: float | None = None) -> PackFacts:
        return PackFacts(name, rated_ah=self.rated_ah, heater_w=heater_w)

    def day(self, k: int) -> tuple[dict[str, Frame], WitnessFrame]:
        """Frames of day `k` by pack, and the witness's."""
        n = int(86400 / self.period_s)
        t = np.arange(n, dtype=float) * self.period_s
        hour = t / 3600
        mean = self.ambient_c + self.wander_c * np.sin(k)
        air = mean + self.swing_c * np.sin(2 * np.pi * (hour - 9) / 24)
        load = -4 - 20 * ((hour > 17) & (hour < 21)) - 8 * (np.floor(hour * 4) % 3 == 0)
        load = load + np.repeat(self.rng.choice([0, 0, -3, -15], n // 30 + 1), 30)[:n]
        sun = (hour > 10) & (hour < 15)
        temp, on, allowed = self._heat(air, k)
        bank_a = np.where(sun & allowed, self.charge_a * self.packs + load, load)
        volt = 16 * np.interp(
            np.clip(self.soc + np.cumsum(bank_a) * self.period_s / 3600 / 280 / self.packs, 0.1, 0.97),
            SOC,
            OCV,
        )
        self.soc = float(np.clip(self.soc + bank_a.sum() * self.period_s / 3600 / 280 / self.packs, 0.3, 0.8))
        heater = on * (self.watts if k < self.heater_dead_from else 0.0)
        self.truth.append(
            {
                "heater_wh": float(heater.sum() * self.period_s / 3600),
                "on_h": float(on.sum() * self.period_s / 3600),
                "mean": float(mean),
            }
        )
        frames = {}
        parts = (self.share, 1 - self.share)[: self.packs] if self.packs > 1 else (1.0,)
        leads = np.array(self.leads) + (self.lead_step[1] if k >= self.lead_step[0] else 0.0) * np.array(
            [1.0, 0.0]
        )
        bus_v = volt + bank_a * (parts[0] * leads[0])
        for p, part in enumerate(parts):
            lead_a = part * bank_a
            shunt = lead_a - (heater / volt if self.inside else 0.0)
            terminal = bus_v - lead_a * leads[p]
            frames["AB"[p]] = self._frame("AB"[p], k, t, shunt, terminal, temp, on, allowed)
        every = max(1, int(30 / self.period_s))
        seen = {
            "dc_v": np.round(bus_v + bank_a * self.bus_ohm, 2)[::every],
            "dc_a": np.round(bank_a, 2)[::every],
            "ambient": np.round(air, 1)[::every],
        }
        return frames, WitnessFrame("hall", DAY0 + 86400 * k + t[::every], seen)

    def _heat(self, air: F64, k: int) -> tuple[F64, Bool, Bool]:
        n = air.size
        temp, on, allowed = np.empty(n), np.zeros(n, bool), np.ones(n, bool)
        hours = self.period_s / 3600
        for i in range(n):
            self.on = self.temp < 1.0 or (self.on and self.temp < 5.0)
            power = self.watts if self.on and k < self.heater_dead_from else 0.0
            power *= self.reaches[1] if k >= self.reaches[0] else 1.0
            self.temp += hours * (power - UA_W_K * (self.temp - air[i])) / HEAT_WH_K
            temp[i], on[i] = self.temp, self.on
            allowed[i] = self.temp > 0 or not self.floor
        return temp, on, allowed

    def _frame(
        self, name: str, k: int, t: F64, shunt: F64, terminal: F64, temp: F64, on: Bool, allowed: Bool
    ) -> Frame:
        n, rng = t.size, self.rng
        amps = np.round(shunt * self.gain + self.offset_a + rng.normal(0, 0.05, n), 1)
        volts = np.round(terminal + rng.normal(0, 0.005, n), 2)
        cells = np.round(terminal / 16 + rng.normal(0, 0.0006, (16, n)), 3)
        temps = np.round(temp + np.array([[-0.4], [0.3], [0.2], [-0.1]]) + rng.normal(0, 0.03, (4, n)), 1)
        for index, (fault, size, first) in self.sensor.items():
            if k < first or name != "A":
                continue
            if fault == "stuck":
                temps[index] = size
            elif fault == "dead":
                temps[index] = -40.0
            else:
                temps[index] += size
        extra = {"heater_on": on.astype(float), "charge_enabled": allowed.astype(float)} if self.flags else {}
        start = DAY0 + 86400 * k
        day = str(np.datetime64("2025-12-01") + k)
        return Frame(
            name, day, start, start + 86400, 0, start + t,
            volts.astype(np.float32), amps.astype(np.float32), cells.astype(np.float32),
            temps.astype(np.float32), extra,
        )  # fmt: skip

    def histories(self, days: int, *, heater_w: float | None = None) -> dict[str, History]:
        """Digest `days` days; returns the histories by pack."""
        made: dict[str, list[DayDigest]] = {}
        for k in range(days):
            frames, witness = self.day(k)
            for name, frame in frames.items():
                made.setdefault(name, []).append(
                    digest(frame, self.facts(name, heater_w=heater_w), (witness,))
                )
        return {name: History.of(self.facts(name, heater_w=heater_w), rows) for name, rows in made.items()}

    def total(self, key: str) -> float:
        return sum(row[key] for row in self.truth)
