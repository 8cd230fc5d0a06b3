"""Every number about a bank in one value: what `bankbook health` prints and the reports are made of."""

from __future__ import annotations

import math
from dataclasses import dataclass

from analysis.cells.imbalance import Imbalance, imbalance
from analysis.cells.resistance import Resistance, resistance
from analysis.daily.usage import T_EDGES
from analysis.estimate import Estimate, around, unknown
from analysis.history import Bank, History
from analysis.packs.capacity import Capacity, capacity
from analysis.packs.cold import Cold, cold
from analysis.packs.efficiency import Efficiency, efficiency
from analysis.packs.fade import Fade, fade
from analysis.packs.ocv import QuasiOcv, ocv
from analysis.packs.part_capacity import near_empty, part_capacity
from analysis.packs.sensor import CurrentSensor, current_sensor
from analysis.packs.sharing import Sharing, sharing
from analysis.packs.throughput import Throughput, throughput
from analysis.packs.witness import PackWitness, witness


@dataclass(frozen=True, slots=True)
class Recorded:
    """What of a time was recorded.

    Attributes
    ----------
    days : int
        Days with a record.
    covered : Estimate
        Covered share of the time. [1]
    longest_gap : Estimate
        [s]
    period : Estimate
        Typical interval between readings, the median of the days. [s]
    dropped : tuple of (str, int)
        Readings or values that hygiene dropped, by reason.
    """

    days: int
    covered: Estimate
    longest_gap: Estimate
    period: Estimate
    dropped: tuple[tuple[str, int], ...]


@dataclass(frozen=True, slots=True)
class PackHealth:
    """Everything about one pack.

    `recorded`, `throughput`, `efficiency` and `cold` speak about the time asked for; `capacity` and `fade`
    look back from its end over the whole record, the others over `analysis.history.LOOK_BACK_DAYS`.
    """

    name: str
    recorded: Recorded
    throughput: Throughput
    efficiency: Efficiency
    imbalance: Imbalance
    cold: Cold
    sensor: CurrentSensor
    capacity: Capacity
    fade: Fade
    resistance: Resistance
    ocv: QuasiOcv


@dataclass(frozen=True, slots=True)
class Health:
    """Everything about a bank.

    Attributes
    ----------
    first, last : str
        Local dates asked for, both included.
    timezone : str
    packs : tuple of PackHealth
    sharing : Sharing
    witness : tuple of PackWitness
    """

    first: str
    last: str
    timezone: str
    packs: tuple[PackHealth, ...]
    sharing: Sharing
    witness: tuple[PackWitness, ...]


def health(bank: Bank, first: str | None = None, last: str | None = None) -> Health:
    """Compute every number about a bank.

    Parameters
    ----------
    bank : Bank
        All there is.
    first, last : str, optional
        The time to speak about, local dates, both included; by default the whole record.

    Returns
    -------
    Health

    Raises
    ------
    ValueError
        If `first` is after `last`.
    """
    if first is not None and last is not None and first > last:
        raise ValueError(f"the first day {first} is after the last {last}")
    days = [day for pack in bank.packs for day in pack.days]
    begin = first or min(days, default="")
    end = last or max(days, default="")
    whole = Bank(tuple(h.window(None, end) for h in bank.packs), bank.timezone)
    packs = tuple(_pack(whole, history, begin) for history in whole.packs)
    return Health(begin, end, bank.timezone, packs, sharing(whole.recent), witness(whole))


def _pack(whole: Bank, before: History, first: str) -> PackHealth:
    """Everything about one pack from `first` to the end of `before`, its record."""
    asked, lately = before.window(first), before.recent
    beside = tuple(h.recent for h in whole.packs if h is not before)
    counted, curves, cells = capacity(before), ocv(before, lately), imbalance(lately)
    behind = [near_empty(c.bottom, c.top, before.facts.rated_ah) for c in cells.cells]
    usable = part_capacity(before, counted, curves.curves, behind)
    ohms = resistance(lately)
    sensor = current_sensor(lately, beside)
    chilled = cold(asked, beside, lately)
    taken = chilled.energy if chilled.watts.boundary != "outside" else None
    return PackHealth(
        name=before.facts.name,
        recorded=recorded(asked),
        throughput=throughput(asked),
        efficiency=efficiency(
            asked,
            zero=sensor.beside,
            background=lately if asked.days[:1] >= lately.days[:1] else before,
            resistance=pack_resistance(ohms, asked),
            heater_wh=taken,
        ),
        imbalance=cells,
        cold=chilled,
        sensor=sensor,
        capacity=usable,
        fade=fade(before, counted),
        resistance=ohms,
        ocv=curves,
    )


def pack_resistance(cells: Resistance, asked: History) -> Estimate:
    """Resistance of the whole pack at the temperatures of a time, for what current lost in it.

    Parameters
    ----------
    cells : Resistance
        The median cell at 25 °C with its activation energy.
    asked : History
        The time.

    Returns
    -------
    Estimate
        [Ω]; ten percent wider than the median cell's, for the spread of cells and the links between.
    """
    law = cells.law
    n_cells = max((d.n_cells for d in asked.digests), default=0) or asked.facts.n_cells
    if law is None or cells.median.value is None:
        return unknown("Ω", cells.median.reason)
    mean_c = _mean_temperature(asked)
    value, log_sd = law.at(mean_c)
    half = 1.96 * math.hypot(log_sd, 0.05) * value * n_cells
    basis = f"the resistance of {n_cells} cells at {mean_c:.0f} °C, {cells.median.basis}"
    return around(value * n_cells, half, "Ω", basis=basis, n=cells.median.n)


def _mean_temperature(asked: History) -> float:
    """Mean over time of the cells' temperature; 25 °C if nobody knows. [°C]"""
    middles = (T_EDGES[0] - 2.5, *(t + 2.5 for t in T_EDGES))
    seconds = [sum(d.usage.temp_s[i] for d in asked.digests) for i in range(len(middles))]
    total = sum(seconds)
    return sum(t * s for t, s in zip(middles, seconds, strict=True)) / total if total > 0 else 25.0


def recorded(history: History) -> Recorded:
    """Describe what of a history was recorded."""
    whole = history.whole()
    n = len(history.digests)
    if n == 0:
        no = unknown("1", "no day of this time has a record")
        return Recorded(0, no, unknown("s", no.reason), unknown("s", no.reason), ())
    share = min(whole.covered_s / whole.elapsed_s, 1.0)
    basis = f"{n} days, {history.days[0]} to {history.days[-1]}"
    longest = max(d.coverage.longest_gap_s for d in history.digests)
    periods = sorted(d.period_s for d in history.digests if d.period_s > 0)
    period = periods[len(periods) // 2] if periods else 0.0
    dropped: dict[str, int] = {}
    for digest in history.digests:
        for reason, count in digest.coverage.dropped:
            dropped[reason] = dropped.get(reason, 0) + count
    return Recorded(
        days=n,
        covered=around(share, 0.0, "1", basis=basis, n=n, coverage=share),
        longest_gap=around(longest, 0.0, "s", basis=basis, n=n, coverage=share),
        period=around(period, 0.0, "s", basis=basis, n=n, coverage=share),
        dropped=tuple(sorted(dropped.items())),
    )
