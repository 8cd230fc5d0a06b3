"""Resistance of every cell over the days: prompt from steps, slow from the plateau, at 25 °C."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.cells.at_25 import TemperatureLaw, arrhenius, excess_at_25, in_proportion
from analysis.estimate import Estimate, unknown
from analysis.frame import F64
from analysis.history import History
from analysis.once import once
from analysis.stats.change import Change, step_change
from analysis.stats.trend import Slope, theil_sen

RECENT_DAYS = 45.0
"""What "now" means for a resistance. [days] Common practice, no source."""
MEASURED_DAYS = 14.0
"""And for a resistance as measured, which follows the season's temperature. [days] Practice, no source."""
MOVING_DAYS, MOVING = 28.0, 0.06
"""An excess that moved in a straight line over so many days, by this part of the median cell's in a
fortnight, is told as it is at the end of it. [days], [1] Common practice, no source."""
LEAST_MOVING = 8
"""Days with steps from which on that can be told."""
WEATHER_ERROR = 0.09
"""What it may be wrong by in proportion: two and a half kelvin, at 3.5 % each. [1]"""
LONGEST_DAYS = 400
RATIO_ERROR = 0.02
"""What an excess ratio may be wrong by beyond its scatter. [1] Common practice, no source."""


@dataclass(frozen=True, slots=True)
class ResistancePoint:
    """One day of one cell: excess over the median cell [Ω], its standard deviation, temperature [°C]."""

    day: str
    excess_ohm: float
    sigma_ohm: float
    temp_c: float


@dataclass(frozen=True, slots=True)
class CellResistance:
    """One cell.

    Attributes
    ----------
    cell : int
        From 1.
    excess : Estimate
        Above the median cell's resistance, lately, at 25 °C. [Ω]
    measured : Estimate
        The same as measured, whatever the temperature: what a joint has. [Ω]
    ratio : Estimate
        The same as part of the median cell's. [1]
    slow_ratio : Estimate
        Slow excess over minutes to hours, as part of the median cell's *prompt* resistance. [1]
    before : Estimate
        `ratio` before the change, or over the whole record if there is none. [1]
    change : Change or None
        The most likely jump of `ratio`, t in days since the epoch; judge it by its size and p.
    rise : Slope or None
        How `ratio` moved lately, t in days since the epoch, where it did for certain. [1/day]
    restless : float
        Day-to-day scatter of the excess over that of the median cell's. [1]
    absolute_gain : float
        Log-likelihood by which an excess that does not care for temperature fits better than one in
        proportion to the cells' own; 0 where the temperature hardly varied. [1]
    series : tuple of ResistancePoint
    """

    cell: int
    excess: Estimate
    measured: Estimate
    ratio: Estimate
    slow_ratio: Estimate
    before: Estimate
    change: Change | None
    rise: Slope | None
    restless: float
    absolute_gain: float
    series: tuple[ResistancePoint, ...]


@dataclass(frozen=True, slots=True)
class Resistance:
    """All cells of a pack.

    Attributes
    ----------
    median : Estimate
        Resistance of the median cell at 25 °C. [Ω]
    base_s : float
        Time base of the prompt values. [s]
    law : TemperatureLaw or None
        How the median cell's follows the temperature.
    slow_factor : float
        Slow over prompt excess of the ordinary cells. [1]
    slow_factor_sd : float
    cells : tuple of CellResistance
        Empty without enough steps.
    basis : str
    """

    median: Estimate
    base_s: float
    law: TemperatureLaw | None
    slow_factor: float
    slow_factor_sd: float
    cells: tuple[CellResistance, ...]
    basis: str


@dataclass(frozen=True, slots=True)
class _Days:
    day: tuple[str, ...]
    t: F64
    temp: F64
    median: F64
    excess: F64
    sigma: F64
    slow: F64


def _gather(history: History) -> tuple[_Days | None, float]:
    chosen = [d for d in history.digests[-LONGEST_DAYS:] if d.steps.excess_ohm and d.steps.resistance_ohm > 0]
    if len(chosen) < 3:
        return None, math.nan
    base = float(np.median([d.steps.base_s for d in chosen[-30:]]))
    n = len(chosen[-1].steps.excess_ohm)
    chosen = [d for d in chosen if abs(d.steps.base_s - base) < 0.3 * base and len(d.steps.excess_ohm) == n]
    nothing = (math.nan,) * n
    return (
        _Days(
            day=tuple(d.day for d in chosen),
            t=np.array([(d.start_s + d.end_s) / 2 / 86400 for d in chosen]),
            temp=np.array([d.steps.temp_c for d in chosen]),
            median=np.array([d.steps.resistance_ohm for d in chosen]),
            excess=np.array([d.steps.excess_ohm for d in chosen]),
            sigma=np.array([d.steps.sigma_ohm for d in chosen]),
            slow=np.array(
                [d.plateau.excess_ohm if len(d.plateau.excess_ohm) == n else nothing for d in chosen]
            ),
        ),
        base,
    )


@once
def resistance(history: History) -> Resistance:
    """Judge the resistance of every cell from the digests.

    Parameters
    ----------
    history : History

    Returns
    -------
    Resistance
        Without cells below 3 days with steps.
    """
    days, base = _gather(history)
    if days is None:
        reason = "fewer than three days with steps of current that were held on both sides"
        return Resistance(unknown("Ω", reason), math.nan, None, math.nan, math.nan, (), reason)
    law = arrhenius(days.temp, days.median)
    r25, sd = law.at(25.0)
    basis = f"{len(days.day)} days with steps, read {base:.0f} s after, {days.day[0]} to {days.day[-1]}"
    median = Estimate(r25, "Ω", *in_proportion(r25, 0.0, sd), basis, len(days.day))
    ratios = days.excess / days.median[:, None]
    slow = days.slow / days.median[:, None]
    factor, factor_sd = _slow_factor(ratios, slow)
    steady = _restlessness(ratios)
    usual = max(float(np.median(steady)), 1e-6)
    cells = tuple(
        _cell(days, j, ratios[:, j], slow[:, j], law, float(steady[j]) / usual, basis)
        for j in range(days.excess.shape[1])
    )
    return Resistance(median, base, law, factor, factor_sd, cells, basis)


def _restlessness(ratios: F64) -> F64:
    """Median size of the day-to-day steps of each cell. [1]"""
    if ratios.shape[0] < 4:
        return np.ones(ratios.shape[1])
    steps = np.abs(np.diff(ratios, axis=0))
    return np.asarray(np.sort(steps, axis=0)[int(0.8 * steps.shape[0])])


def _slow_factor(ratios: F64, slow: F64) -> tuple[float, float]:
    """Slow over prompt excess: its slope over the ordinary cells, held by a prior of 1.8 ± 0.5."""
    ok = np.isfinite(slow).all(axis=1)
    if int(ok.sum()) < 3:
        return 1.8, 0.5
    x, y = np.median(ratios[ok], axis=0), np.median(slow[ok], axis=0)
    use = np.abs(x) < 3 * 1.4826 * np.median(np.abs(x)) + 0.03
    x, y = x[use], y[use]
    power = float(x @ x)
    slope = (float(x @ y) + 1.8 * 0.02) / (power + 0.02)
    rest = float(np.std(y - slope * x))
    return slope, math.hypot(rest / math.sqrt(power + 0.02), 0.15)


def _moving(t: F64, values: F64, scale: float = 1.0) -> Slope | None:
    """How values moved lately, if they did for certain and by enough; `scale` is the median cell's."""
    ok = np.isfinite(values) & (t > t.max() - MOVING_DAYS)
    if int(ok.sum()) < LEAST_MOVING:
        return None
    line = theil_sen(t[ok], values[ok], serial=True)
    if not line.low * line.high > 0 or abs(line.slope) * MEASURED_DAYS < MOVING * scale:
        return None
    return line


def _at_end(line: Slope, t: F64, values: F64) -> tuple[float, float, int]:
    """Value of a line on its last day, its standard deviation, and the days behind it."""
    ok = np.isfinite(values) & (t > t.max() - MOVING_DAYS)
    rest = values[ok] - line.intercept - line.slope * t[ok]
    scatter = 1.4826 * float(np.median(np.abs(rest)))
    reach = float(t[ok].max() - np.median(t[ok]))
    sd = math.hypot(1.25 * scatter / math.sqrt(int(ok.sum())), line.sd * reach)
    return line.at(float(t[ok].max())), sd, int(ok.sum())


def _now(t: F64, values: F64, sigma: F64) -> tuple[float, float, int]:
    """Median of the recent days, or the end of the line they move on; its standard deviation, and days."""
    ok = np.isfinite(values) & (t > t.max() - RECENT_DAYS)
    if not ok.any():
        return math.nan, math.nan, 0
    line = _moving(t, values)
    if line is not None:
        value, sd, n = _at_end(line, t, values)
        return value, math.hypot(sd, RATIO_ERROR), n
    recent = values[ok]
    middle = float(np.median(recent))
    scatter = 1.4826 * float(np.median(np.abs(recent - middle)))
    sd = 1.25 * math.hypot(scatter, float(np.median(sigma[ok]))) / math.sqrt(recent.size)
    return middle, math.hypot(sd, RATIO_ERROR), int(recent.size)


def _estimate(value: float, sd: float, unit: str, n: int, basis: str) -> Estimate:
    if n == 0 or not math.isfinite(value):
        return unknown(unit, "the current varied too little", basis)
    return Estimate(value, unit, value - 1.96 * sd, value + 1.96 * sd, basis, n)


def _cell(
    days: _Days, j: int, ratio: F64, slow: F64, law: TemperatureLaw, restless: float, basis: str
) -> CellResistance:
    sigma = days.sigma[:, j] / days.median
    change = step_change(*_thin(days.t, ratio)) if ratio.size >= 12 and _moved(ratio) else None
    t_now, now = days.t, ratio
    if change is not None and change.p < 1e-4 and abs(change.size) > 0.08:
        after = days.t >= change.at
        earlier = _estimate(
            *_now(days.t[~after], ratio[~after], sigma[~after])[:2], "1", int((~after).sum()), basis
        )
        t_now, now, sigma, slow_now = days.t[after], ratio[after], sigma[after], slow[after]
    else:
        change = None
        earlier = _estimate(float(np.median(ratio)), RATIO_ERROR, "1", ratio.size, basis)
        slow_now = slow
    value, sd, n = _now(t_now, now, sigma)
    raw, raw_sd = _measured(t_now, days.excess[-t_now.size :, j], law.ohm_25)
    slow_value, slow_sd, slow_n = _now(t_now, slow_now, sigma)
    return CellResistance(
        cell=j + 1,
        excess=excess_at_25(value, sd, law, n, basis),
        measured=_estimate(raw, raw_sd, "Ω", n, basis),
        ratio=_estimate(value, sd, "1", n, basis),
        slow_ratio=_estimate(slow_value, slow_sd, "1", slow_n, basis),
        before=earlier,
        change=change,
        rise=_moving(t_now, now),
        restless=restless,
        absolute_gain=_absolute_gain(days, j, change),
        series=tuple(
            ResistancePoint(*row)
            for row in zip(
                days.day,
                days.excess[:, j].tolist(),
                days.sigma[:, j].tolist(),
                days.temp.tolist(),
                strict=True,
            )
        ),
    )


def _measured(t: F64, excess: F64, r25: float) -> tuple[float, float]:
    """Excess as it was lately, or where it has moved to, and its standard deviation. [Ω]"""
    line = _moving(t, excess, r25)
    if line is not None:
        raw, sd, _ = _at_end(line, t, excess)
    else:
        lately = excess[t > t.max() - MEASURED_DAYS]
        raw = float(np.median(lately))
        sd = 1.25 * 1.4826 * float(np.median(np.abs(lately - raw))) / math.sqrt(lately.size)
    return raw, math.hypot(sd, RATIO_ERROR * r25, WEATHER_ERROR * raw)


def _moved(ratio: F64) -> bool:
    """Whether a jump is worth looking for: medians of a tenth of the days differ by more than 5 %."""
    parts = [float(np.median(part)) for part in np.array_split(ratio, min(10, ratio.size // 3))]
    return max(parts) - min(parts) > 0.05


def _thin(t: F64, ratio: F64) -> tuple[F64, F64]:
    """Medians of neighbouring days, at most 150 of them."""
    width = max(1, math.ceil(t.size / 150))
    cuts = range(0, t.size, width)
    return (
        np.array([np.median(t[i : i + width]) for i in cuts]),
        np.array([np.median(ratio[i : i + width]) for i in cuts]),
    )


def _absolute_gain(days: _Days, j: int, change: Change | None) -> float:
    """Compare a constant excess with one in proportion to the median cell's resistance."""
    use = days.t >= change.at if change is not None else np.ones(days.t.size, dtype=bool)
    excess, median = days.excess[use, j], days.median[use]
    if excess.size < 8 or float(np.std(np.log(median))) < 0.04:
        return 0.0
    constant = np.abs(excess - np.median(excess))
    scaled = np.abs(excess - np.median(excess / median) * median)
    floor = 2e-6
    gain = excess.size * math.log((float(np.mean(scaled)) + floor) / (float(np.mean(constant)) + floor))
    return float(np.clip(gain, -8.0, 8.0))
