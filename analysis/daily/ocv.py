"""Calm stretches of a day, freed of their load: pieces of the open-circuit curve, and its graphite steps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.daily.curves import lagged
from analysis.daily.graphite import find_cells, find_step
from analysis.daily.grid import Grid, gridded
from analysis.day import CleanDay, Mark
from analysis.frame import F64, Bool, Int

Direction = Literal["charge", "discharge"]
StepKind = Literal["upper", "lower"]

BLOCK_S = 60.0
CALM_C, SWING_C, LEAST_C = 0.15, 0.30, 0.004
"""A calm stretch: no more than the first over `SMOOTH` blocks, never more than the second in a block, and
never less than the third over `SMOOTH` blocks. [C] Common practice, no source."""
SMOOTH = 15
LEAST_SPAN = 0.05
"""Charge that a stretch has to move, of the rated charge. [1]

References
----------
Figgener et al., arXiv 2411.08025 (2024): low-dynamic stretches of household use, directions apart.
"""
BIN = 0.01
"""Width of a bin of charge, of the rated charge. [1]"""
KEPT = 2
"""Stretches kept in each direction, the longest."""
TYPICAL_OHM_AH = (0.085, 0.02)
"""Prior of the prompt (a minute) and the slow resistance of a cell times its rated charge, each ± its own
size. [Ω Ah] From memory of pulse tests."""
TYPICAL_SLOPE_V = 0.08
"""Likewise of the curve's slope over state of charge. [V]"""
HELD = 6.0
"""Minutes that share an error: so much more weight have the priors."""
LAG_S = 900.0
PLATEAU_V = (3.275, 3.350)
"""Resistances are found while the median cell is within these. [V]"""
WINDOWS_V: dict[StepKind, tuple[float, float]] = {"upper": (3.286, 3.342), "lower": (3.225, 3.305)}
"""Where a step is looked for: median cell, load taken out. [V] Open-circuit curves of the chemistry, from
memory, with room for hysteresis."""
CENTRE_V: dict[StepKind, tuple[float, float]] = {"upper": (3.302, 3.332), "lower": (3.235, 3.287)}
"""Where its middle has to lie, between the plateaus on its two sides. [V] Likewise."""
BRANCH_V = 0.004
"""By how much charge lies above that, and discharge below. [V] Likewise."""


@dataclass(frozen=True, slots=True)
class GraphiteStep:
    """A step between two stages of graphite, seen in the voltage of the median cell.

    Attributes
    ----------
    kind : {"upper", "lower"}
        Near 70 or near 25 % of charge.
    direction : {"charge", "discharge"}
    mark : Mark
        Counters of the minute in which it was passed.
    charge_ah : float
        Net charge since the day's start at its middle. [Ah]
    u_ah : float
        Standard uncertainty of that from the fit. [Ah]
    height_v : float
        [V]
    """

    kind: StepKind
    direction: Direction
    mark: Mark
    charge_ah: float
    u_ah: float
    height_v: float


@dataclass(frozen=True, slots=True)
class GraphiteDay:
    """What of a day's calm stretches is kept for ever.

    Attributes
    ----------
    resolution_v : float
        Smallest step of a cell's reading; NaN without calm stretches. [V]
    noise_v : float
        What smooth curves leave unexplained of the median cell; NaN likewise. [V]
    spans : tuple of float
        Charge moved in each stretch, of the rated charge. [1]
    steps : tuple of GraphiteStep
        At most one of a kind in each direction.
    """

    resolution_v: float
    noise_v: float
    spans: tuple[float, ...]
    steps: tuple[GraphiteStep, ...]


@dataclass(frozen=True, slots=True)
class Fragment:
    """A piece of the curve of voltage over charge, load taken out.

    Attributes
    ----------
    direction : {"charge", "discharge"}
    mark : Mark
        Its start.
    mean_a, temp_c : float
        Mean current [A] and cell temperature, NaN if unknown. [°C]
    first_ah, bin_ah : float
        Net charge since the day's start at the lower edge of the first bin, and width of a bin. [Ah]
    volts : tuple of float
        Mean of the median cell in each bin, in order of rising charge; NaN where nothing was read. [V]
    cells_ah : tuple of float
        By how much less charge has to be taken out until each cell passes the upper step than for the
        median cell; NaN where it cannot be told, empty without a step. [Ah]
    """

    direction: Direction
    mark: Mark
    mean_a: float
    temp_c: float
    first_ah: float
    bin_ah: float
    volts: tuple[float, ...]
    cells_ah: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class OcvDay:
    """Both: `graphite` is small and kept in every digest's core, `fragments` in its detail."""

    graphite: GraphiteDay
    fragments: tuple[Fragment, ...]


NO_GRAPHITE = GraphiteDay(float("nan"), float("nan"), (), ())
NOTHING = OcvDay(NO_GRAPHITE, ())
"""A day of which nothing is kept."""


@dataclass(frozen=True, slots=True)
class _Blocks:
    """Means over a minute; `loud_a` is of the current without its sign, `free_v` of cells without load."""

    at: Int
    current_a: F64
    loud_a: F64
    charge_ah: F64
    free_v: F64
    broken: Bool


def _folded(values: F64, width: int) -> F64:
    """Means of `width` neighbours along the last axis; a NaN spoils its mean."""
    n = values.shape[-1] // width
    cut = values[..., : n * width]
    return np.asarray(cut.reshape(*values.shape[:-1], n, width).mean(axis=-1), dtype=np.float64)


def _resistances(current: F64, charge: F64, middle: F64, rated_ah: float) -> F64:
    """Prompt and slow resistance from changes within a minute, beside the slope of the curve itself. [Ω]"""
    prior = np.array((*TYPICAL_OHM_AH, TYPICAL_SLOPE_V)) / rated_ah
    change = np.vstack((np.diff(current, axis=1), np.diff(charge)))
    change_v = np.diff(middle)
    with np.errstate(invalid="ignore"):
        near = (middle[1:] > PLATEAU_V[0]) & (middle[1:] < PLATEAU_V[1]) & np.isfinite(change).all(axis=0)
    near &= np.isfinite(change_v)
    x, y = change[:, near], change_v[near] - prior @ change[:, near]
    noise = 1.4826 * float(np.median(np.abs(y))) + 1e-4 if y.size else 1e-4
    keep = np.abs(y) < 5 * noise
    x, y = x[:, keep], y[keep]
    found = prior + np.linalg.solve(x @ x.T + HELD * np.diag((noise / prior) ** 2), x @ y)
    return np.asarray(np.maximum(found, 0.2 * prior)[:2])


def _blocks(day: CleanDay, grid: Grid) -> _Blocks:
    width = max(1, round(BLOCK_S / grid.width_s))
    n = grid.time_s.size // width
    currents = np.vstack([grid.current_a, lagged(grid.time_s, grid.current_a, LAG_S)])
    current = _folded(currents, width)
    cells = _folded(grid.cells_v.astype(np.float64), width)
    charge = _folded(grid.charge_ah, width)
    ohm = _resistances(current, charge, np.asarray(np.median(cells, axis=0)), day.facts.rated_ah)
    broken: Bool = np.asarray(grid.gap[: n * width].reshape(n, width).any(axis=1))
    return _Blocks(
        at=np.arange(n) * width,
        current_a=current[0],
        loud_a=_folded(np.abs(grid.current_a), width),
        charge_ah=charge,
        free_v=cells - ohm @ current,
        broken=broken,
    )


def _stretches(blocks: _Blocks, rated_ah: float, sign: int) -> list[tuple[int, int]]:
    """First and past-the-last block of the longest calm stretches in a direction, in order of time."""
    current = sign * blocks.current_a
    if current.size <= SMOOTH:
        return []
    smooth = np.convolve(np.pad(current, SMOOTH // 2, mode="edge"), np.ones(SMOOTH) / SMOOTH, "valid")
    with np.errstate(invalid="ignore"):
        calm = (smooth > LEAST_C * rated_ah) & (smooth <= CALM_C * rated_ah)
        calm &= (blocks.loud_a < SWING_C * rated_ah) & np.isfinite(blocks.free_v).all(axis=0)
    # a gap ends a stretch: the block it lies in is left out
    edge = np.flatnonzero(np.diff((calm & ~blocks.broken).astype(np.int8), prepend=0, append=0))
    q = blocks.charge_ah
    half = SMOOTH // 2  # what the mean at either end has seen of the time beyond
    inner = ((a + half, b - half) for a, b in zip(edge[::2].tolist(), edge[1::2].tolist(), strict=True))
    long = [(a, b) for a, b in inner if b - a > 1 and abs(q[b - 1] - q[a]) >= LEAST_SPAN * rated_ah]
    long.sort(key=lambda p: -abs(q[p[1] - 1] - q[p[0]]))
    return sorted(long[:KEPT])


def _binned(charge: F64, values: F64, width: float) -> tuple[int, F64]:
    """Number of the first bin, and means in bins of charge, shape (rows, bins); NaN in an empty bin."""
    number = np.floor(charge / width).astype(np.int64)
    first = int(number.min())
    number -= first
    count = np.bincount(number).astype(np.float64)
    sums = np.array([np.bincount(number, row, count.size) for row in values])
    with np.errstate(invalid="ignore", divide="ignore"):
        return first, np.asarray(sums / count)


def is_kind(kind: StepKind, direction: Direction, middle_v: float) -> bool:
    """Whether a step with its middle at this voltage lies between the plateaus of its kind."""
    shift = BRANCH_V if direction == "charge" else -BRANCH_V
    return CENTRE_V[kind][0] < middle_v - shift < CENTRE_V[kind][1]


def _look(
    day: CleanDay, grid: Grid, blocks: _Blocks, a: int, b: int, direction: Direction
) -> tuple[Fragment, list[GraphiteStep], float]:
    rated = day.facts.rated_ah
    width = BIN * rated
    q = blocks.charge_ah[a:b]
    first, rows = _binned(q, blocks.free_v[:, a:b], width)
    middle = np.median(rows, axis=0)
    charge: F64 = np.asarray((first + 0.5 + np.arange(middle.size)) * width, dtype=np.float64)
    steps: list[GraphiteStep] = []
    cells: tuple[float, ...] = ()
    rest = float("nan")
    for kind, (low, high) in WINDOWS_V.items():
        with np.errstate(invalid="ignore"):
            inside = (middle > low) & (middle < high)
        step = find_step(charge[inside], middle[inside], rated)
        if (
            step is None
            or not CENTRE_V[kind][0] < np.interp(step.charge_ah, charge, middle) < CENTRE_V[kind][1]
        ):
            continue
        rest = step.rest_v if np.isnan(rest) else min(rest, step.rest_v)
        passed = a + int(np.argmin(np.abs(q - step.charge_ah)))
        mark = day.mark(int(grid.first[int(blocks.at[passed])]))
        steps.append(GraphiteStep(kind, direction, mark, step.charge_ah, step.u_ah, step.height_v))
        if kind == "upper":
            at = find_cells(charge[inside], rows[:, inside], step)
            cells = tuple(np.round(at - step.charge_ah, 3).tolist())
    temps = grid.temp_c[int(blocks.at[a]) : int(blocks.at[b - 1]) + 1]
    fragment = Fragment(
        direction=direction,
        mark=day.mark(int(grid.first[int(blocks.at[a])])),
        mean_a=round(float(blocks.current_a[a:b].mean()), 2),
        temp_c=round(float(np.nanmean(temps)), 1) if np.isfinite(temps).any() else float("nan"),
        first_ah=first * width,
        bin_ah=width,
        volts=tuple(np.round(middle, 5).tolist()),
        cells_ah=cells,
    )
    return fragment, steps, rest


def _resolution(day: CleanDay) -> float:
    """Smallest difference between two readings of a cell. [V]"""
    some = day.frame.cells_v[:, :: max(1, day.frame.time_s.size // 400)].ravel()
    values = np.unique(np.round(some[np.isfinite(some)].astype(np.float64), 4))
    return float(np.min(np.diff(values))) if values.size > 1 else float("nan")


def observe_ocv(day: CleanDay, grid: Grid | None = None) -> OcvDay:
    """Take the calm stretches out of a day, free them of their load, and look for graphite's steps.

    The load is taken out with a prompt and a slow resistance of the median cell, found from the changes
    of current within minutes. Charge and discharge are kept apart: their curves differ.

    Parameters
    ----------
    day : CleanDay
    grid : Grid, optional
        `gridded(day)` if the caller has it.

    Returns
    -------
    OcvDay
        Empty when no calm stretch moved 5 % of the rated charge.

    References
    ----------
    Figgener et al., arXiv 2411.08025 (2024): curves from household use. Ovejas, Cuadras, Sci. Rep. 9 (2019)
    14875: the open-circuit voltage differs by direction.
    """
    grid = gridded(day) if grid is None else grid
    if day.frame.n_cells < 3 or grid.time_s.size < 60:
        return NOTHING
    blocks = _blocks(day, grid)
    rated = day.facts.rated_ah
    fragments: list[Fragment] = []
    spans: list[float] = []
    rests: list[float] = []
    best: dict[tuple[str, str], GraphiteStep] = {}
    ways: tuple[tuple[Direction, int], ...] = (("discharge", -1), ("charge", 1))
    for direction, sign in ways:
        for a, b in _stretches(blocks, rated, sign):
            fragment, steps, rest = _look(day, grid, blocks, a, b, direction)
            fragments.append(fragment)
            spans.append(round(abs(float(blocks.charge_ah[b - 1] - blocks.charge_ah[a])) / rated, 4))
            rests.append(rest)
            for step in steps:
                key = (step.kind, direction)
                if key not in best or step.u_ah < best[key].u_ah:
                    best[key] = step
    if not fragments:
        return NOTHING
    known = [r for r in rests if np.isfinite(r)]
    noise = min(known) if known else float("nan")
    graphite = GraphiteDay(_resolution(day), noise, tuple(spans), tuple(best.values()))
    return OcvDay(graphite, tuple(fragments))
