"""Days of a made-up pack, from a model of its own: counted charge, a curve, a resistance."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from analysis.facts import PackFacts
from analysis.frame import F64, Frame

DAY0 = 1_760_000_400.0 - 1_760_000_400.0 % 86400.0  # a UTC midnight
SOC = np.array([0, 0.02, 0.05, 0.10, 0.20, 0.40, 0.60, 0.72, 0.90, 0.96, 0.985, 0.995, 1.0, 1.01])
OCV = np.array([2.5, 2.9, 3.1, 3.2, 3.25, 3.29, 3.295, 3.325, 3.335, 3.345, 3.37, 3.42, 3.50, 3.65])


FACTS = PackFacts("A")


def ocv(soc: F64) -> F64:
    volts: F64 = np.interp(soc, SOC, OCV)
    return volts


SUMS = ("wh_in", "wh_out", "ah_in", "ah_out")


@dataclass
class Pack:
    """A pack whose truth is known. Offsets and gains are the sensor's."""

    rated_ah: float = 280.0
    n_cells: int = 16
    r_ohm: float = 0.5e-3
    offset_a: float = 0.0
    gain: float = 1.0
    noise_a: float = 0.05
    noise_v: float = 0.0006
    period_s: float = 10.0
    temp_c: float = 15.0
    soc: float = 0.5
    loss: float = 0.0
    spread: tuple[float, ...] = ()
    seed: int = 1
    truth: dict[str, float] = field(
        default_factory=lambda: {"wh_in": 0.0, "wh_out": 0.0, "ah_in": 0.0, "ah_out": 0.0}
    )

    def frame(self, number: int, current_a: F64, *, lead: Frame | None = None) -> Frame:
        """One day driven by a current at the sampling period; `current_a` has one value a sample."""
        rng = np.random.default_rng([self.seed, number])
        n = current_a.size
        dt_h = self.period_s / 3600
        start = DAY0 + 86400.0 * number
        moved = current_a * np.where(current_a > 0, 1 - self.loss, 1.0)
        soc = self.soc + np.concatenate(([0.0], np.cumsum(moved)[:-1])) * dt_h / self.rated_ah
        if n:
            self.soc = float(soc[-1] + moved[-1] * dt_h / self.rated_ah)
        shift = np.array(self.spread or (0.0,) * max(self.n_cells, 1))[:, None]
        true_v = ocv(soc + shift) + current_a * self.r_ohm
        pack_v = true_v.mean(axis=0) * 16
        self._count(current_a, pack_v, dt_h)
        cells = np.round(true_v + rng.normal(0, self.noise_v, true_v.shape), 3)
        seen = current_a * self.gain + self.offset_a + rng.normal(0, self.noise_a, n)
        frame = Frame(
            pack="A",
            day=str(np.datetime64("2025-10-09") + number),
            start_s=start,
            end_s=start + 86400.0,
            lead=0,
            time_s=start + self.period_s * np.arange(n, dtype=float),
            pack_v=np.round(pack_v, 2).astype(np.float32),
            pack_a=np.round(seen, 2).astype(np.float32),
            cells_v=(cells if self.n_cells else cells[:0]).astype(np.float32),
            temps_c=np.full((4, n), self.temp_c, dtype=np.float32),
            extra={},
        )
        return frame if lead is None else with_lead(frame, lead)

    def _count(self, current_a: F64, pack_v: F64, dt_h: float) -> None:
        for name, part in (("in", np.clip(current_a, 0, None)), ("out", np.clip(-current_a, 0, None))):
            self.truth[f"ah_{name}"] += float(part.sum() * dt_h)
            self.truth[f"wh_{name}"] += float((part * pack_v).sum() * dt_h)


def with_lead(frame: Frame, before: Frame, lead_s: float = 900.0) -> Frame:
    """`frame` with the last minutes of the day before in front."""
    own = before.time_s >= frame.start_s - lead_s
    return replace(
        frame,
        lead=int(own.sum()),
        time_s=np.concatenate((before.time_s[own], frame.time_s)),
        pack_v=np.concatenate((before.pack_v[own], frame.pack_v)),
        pack_a=np.concatenate((before.pack_a[own], frame.pack_a)),
        cells_v=np.concatenate((before.cells_v[:, own], frame.cells_v), axis=1),
        temps_c=np.concatenate((before.temps_c[:, own], frame.temps_c), axis=1),
    )


def day_current(pack: Pack, *, depth: float = 0.6, charge_c: float = 0.2, taper: bool = True) -> F64:
    """A night's discharge, a charge from morning on that ends at full, the rest of the day a small load."""
    n = round(86400 / pack.period_s)
    hour = np.arange(n) * pack.period_s / 3600
    use = np.where((hour < 7) | (hour > 17), -1.0, 0.0) * depth * pack.rated_ah / 14
    missing = (1.0 - pack.soc) * pack.rated_ah + depth * pack.rated_ah / 2
    top = charge_c * pack.rated_ah
    current = use.copy()
    done = 0.0
    for i in np.nonzero((hour >= 7) & (hour <= 17))[0]:
        left = missing - done
        if left <= 1e-6 * pack.rated_ah:
            break
        # the last 1.5 % of the charge fall off in proportion: an exponential taper
        amps = top * min(1.0, left / (0.015 * pack.rated_ah)) if taper else top
        amps = min(amps, left * 3600 / pack.period_s)
        current[i] = 0.0 if amps < 0.004 * pack.rated_ah else amps / (1 - pack.loss)
        done += amps * pack.period_s / 3600
    return current


def frames(
    pack: Pack, days: int, *, depth: float = 0.6, charge_c: float = 0.2, taper: bool = True
) -> Iterator[Frame]:
    """Day after day of a pack, each with its lead from the day before."""
    before = None
    for number in range(days):
        frame = pack.frame(number, day_current(pack, depth=depth, charge_c=charge_c, taper=taper))
        yield frame if before is None else with_lead(frame, before)
        before = frame
