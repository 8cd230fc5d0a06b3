"""Which causes explain the cells of a pack: every kind is asked, nothing is blamed twice."""

from __future__ import annotations

from dataclasses import replace

from analysis.cells.causes_apart import apart
from analysis.cells.causes_charge import alone, closing, deficit, leak, offset, shrinks
from analysis.cells.causes_joint import joint
from analysis.cells.causes_tap import taps
from analysis.cells.diagnosis import Diagnosis, z_of
from analysis.cells.imbalance import Imbalance
from analysis.cells.limits import OFTEN, reached
from analysis.cells.resistance import Resistance
from analysis.history import History
from analysis.thresholds import Thresholds

NOTED_OFFSETS = 2
BESIDE_LEAK = 6.0
"""Standard deviations a deficit must be beyond 0 to be named beside a leak of the same cell. [1]"""
JOINTS = {"high_resistance", "loose_link"}


def _large(ohms: Resistance) -> float:
    """Excess from which a comparison of charge is not believed: 60 % of the median cell's resistance. [Ω]"""
    return 0.6 * (ohms.median.value or float("inf"))


def _spoiled(readings: tuple[Diagnosis, ...]) -> set[int]:
    """Cells whose other numbers cannot be believed."""
    cells: set[int] = set()
    for one in readings:
        if one.cell is not None and one.level != "note":
            cells |= {one.cell - 1, one.cell, one.cell + 1} if "neighbour" in one.evidence[0] else {one.cell}
    return cells


def diagnose(
    history: History, balance: Imbalance, ohms: Resistance, limits: Thresholds
) -> tuple[Diagnosis, ...]:
    """Decide for every cell.

    Parameters
    ----------
    history : History
    balance : Imbalance
    ohms : Resistance
    limits : Thresholds

    Returns
    -------
    tuple of Diagnosis
        Readings first: a cell whose reading is wrong gets no other diagnosis.
    """
    wrong = taps(history, limits)
    spoiled = _spoiled(wrong)
    found = list(wrong)
    joints = [joint(history, ohms, one, limits) for one in ohms.cells if one.cell not in spoiled]
    found.extend(one for one in joints if one is not None)
    cells = [one for one in balance.cells if one.cell not in spoiled]
    uneven = {d.cell for d in found if d.kind in JOINTS and (d.size.value or 0.0) > _large(ohms)}
    cells = [one for one in cells if one.cell not in uneven]  # so large a resistance shifts the knees
    leaks = [d for d in (leak(history, balance, one, limits) for one in cells) if d is not None]
    leaking = {d.cell for d in leaks}
    shorts: list[Diagnosis] = []
    offsets: list[Diagnosis] = []
    for one in cells:
        short = deficit(history, balance, one, limits)
        if short is not None and one.cell in leaking and abs(z_of(one.deficit)) < BESIDE_LEAK:
            short = None
        still = None if short is not None or one.cell in leaking else offset(history, balance, one, limits)
        moving = leak(history, balance, one, limits, stands=True) if still is not None else None
        if moving is not None:
            leaks.append(moving)
            still = None
        shorts += [short] if short is not None else []
        offsets += [still] if still is not None else []
    offsets = _eased(history, balance, offsets, limits)
    together = apart(history, balance, [*leaks, *offsets], limits)
    found += shorts
    found += [*leaks, *offsets] if together is None else [together]
    by_itself = alone(history, balance, {d.cell for d in found} | spoiled)
    found += [] if by_itself is None else [by_itself]
    return tuple(_fewer(found))


def _eased(
    history: History, pack: Imbalance, offsets: list[Diagnosis], limits: Thresholds
) -> list[Diagnosis]:
    """Small offsets that balancing takes away are only noted, unless the cell ends charges or discharges."""
    ends = {r.cell for r in reached(history) if r.days >= OFTEN or r.alone >= OFTEN}
    all_close = closing([c for c in pack.cells if c.top.value is not None])
    small = 2 * limits["offset_watch"] * history.facts.rated_ah
    eased = {
        c.cell
        for c in pack.cells
        if c.cell not in ends and abs(c.top.value or 0.0) < small and (all_close or shrinks(c))
    }
    return [replace(d, level="note") if d.cell in eased else d for d in offsets]


def _fewer(found: list[Diagnosis]) -> list[Diagnosis]:
    """Of offsets that are only noted keep the two largest: the rest is the scatter of an ordinary pack."""
    small = [d for d in found if d.kind == "static_offset" and d.level == "note"]
    small.sort(key=lambda d: -abs(d.size.value or 0.0))
    return [d for d in found if d not in small[NOTED_OFFSETS:]]
