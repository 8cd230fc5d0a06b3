"""The gain of packs' current sensors against a witness that sees the same current."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.estimate import Estimate, around, unknown
from analysis.frame import F64, Bool, Int
from analysis.history import History
from analysis.stats.change import Change, step_change
from analysis.stats.quantiles import student_quantile

BUSY_C = 0.05
"""Quarters of an hour above this current, of the bank, show the gain. [C]"""
LEAST_QUARTERS = 40
OTHER_GAIN_U = 0.0058
"""Gain of every other instrument, standard: ±1 %, rectangular. [1] Common practice, no source."""
STEP = 0.01
"""A step of the ratio from which only what follows counts. [1] Practice, no source."""
A_DAY = 8
"""Busy quarters a day must have to tell of a step. Practice, no source."""

NO_STEP = unknown("1", "no clear step beside a witness")


@dataclass(frozen=True, slots=True)
class Gain:
    """A pack's gain against a witness.

    Attributes
    ----------
    estimate : Estimate
        Its reading over the witness's for the same current. [1]
    witness : str
        Its name; "" without one.
    since : str
        Local date from which it has been so; "" if since before the record.
    step : Estimate
        By how much it changed then. [1]
    """

    estimate: Estimate
    witness: str
    since: str = ""
    step: Estimate = NO_STEP


@dataclass(frozen=True, slots=True)
class _Pairs:
    """Quarter-hour currents of a witness (k,) and of each pack (packs, k), with the day of each (k,). [A]"""

    seen: F64
    packs: F64
    day: Int
    days: tuple[str, ...]


def _pairs(history: History, others: Sequence[History], name: str) -> _Pairs:
    by_day = [{d.day: d for d in pack.digests} for pack in (history, *others)]
    ours: list[F64] = []
    seen: list[F64] = []
    numbers: list[Int] = []
    names: list[str] = []
    for day, digest in by_day[0].items():
        witness = next((w for w in digest.seen if w.name == name and w.dc_a), None)
        parts = [days.get(day) for days in by_day]
        if witness is None or any(p is None for p in parts):
            continue
        rows = [np.array(p.quarters.current_a) for p in parts if p is not None]
        theirs = np.array(witness.dc_a)
        if any(r.size != theirs.size for r in rows):
            continue
        ours.append(np.stack(rows))
        seen.append(theirs)
        numbers.append(np.full(theirs.size, len(names), dtype=np.int64))
        names.append(day)
    if not ours:
        none = np.empty(0)
        return _Pairs(none, np.empty((1 + len(others), 0)), np.empty(0, dtype=np.int64), ())
    x, y, number = np.concatenate(seen), np.concatenate(ours, axis=1), np.concatenate(numbers)
    good = np.isfinite(x) & np.isfinite(y).all(axis=0)
    return _Pairs(x[good], y[:, good], number[good], tuple(names))


def _ratios(pairs: _Pairs, busy: Bool) -> tuple[Int, F64]:
    """Numbers of the days that tell, and the packs' sum over the witness in each (least squares)."""
    total = pairs.packs.sum(axis=0)
    n = len(pairs.days)
    weight = np.bincount(pairs.day[busy], weights=(pairs.seen * pairs.seen)[busy], minlength=n)
    ratio = np.bincount(pairs.day[busy], weights=(total * pairs.seen)[busy], minlength=n)
    told = np.flatnonzero(np.bincount(pairs.day[busy], minlength=n) >= A_DAY)
    return told, np.asarray(ratio[told] / weight[told], dtype=np.float64)


def _step(pairs: _Pairs, busy: Bool) -> Change | None:
    """Find the step by which the packs' sum came to stand otherwise to the witness; None without one."""
    told, ratio = _ratios(pairs, busy)
    change = step_change(told.astype(np.float64), ratio, edge=3)
    if change is None or change.p > 1e-4 or abs(change.size) < STEP:
        return None
    return change


def ratio_by_day(history: History, others: Sequence[History] = ()) -> tuple[tuple[str, float], ...]:
    """Return the current of all packs over that of the first witness, by day with enough of it. [1]

    Parameters
    ----------
    history : History
    others : sequence of History
        The packs in parallel.
    """
    names = sorted({w.name for d in history.digests for w in d.seen if w.dc_a})
    if not names:
        return ()
    pairs = _pairs(history, others, names[0])
    busy = np.abs(pairs.seen) > BUSY_C * sum(p.facts.rated_ah for p in (history, *others))
    told, ratio = _ratios(pairs, busy)
    return tuple((pairs.days[i], r) for i, r in zip(told.tolist(), ratio.tolist(), strict=True))


def gain_against(history: History, others: Sequence[History] = ()) -> Gain:
    """Find the gain of a pack's sensor against the first witness of the same current.

    Packs in parallel carry nearly the same current, so only their sum can be compared. What it is off is
    laid to this pack if that explains the readings better than laying it to any other; else it reads 1.
    After a clear step only the days since count.

    Parameters
    ----------
    history : History
    others : sequence of History
        The packs in parallel.

    Returns
    -------
    Gain
        The interval holds the ±1 % that the witness and every other pack's sensor may have.
    """
    names = sorted({w.name for d in history.digests for w in d.seen if w.dc_a})
    if not names:
        return Gain(unknown("1", "no witness that measures the same current"), "")
    pairs = _pairs(history, others, names[0])
    rated = sum(p.facts.rated_ah for p in (history, *others))
    busy = np.abs(pairs.seen) > BUSY_C * rated
    if int(busy.sum()) < LEAST_QUARTERS:
        reason = f"only {int(busy.sum())} busy quarter hours beside the witness"
        return Gain(unknown("1", reason), names[0])
    step = _step(pairs, busy)
    late = busy & (pairs.day >= math.ceil(step.at)) if step is not None else busy
    if int(late.sum()) < LEAST_QUARTERS:
        step, late = None, busy
    fits = [_one_gain(pairs.seen[late], pairs.packs[:, late], k) for k in range(pairs.packs.shape[0])]
    gain, half, loss, n = fits[0]
    half = math.hypot(half, 1.96 * OTHER_GAIN_U * math.sqrt(1 + len(others)))
    basis = f"{n} quarter hours against {names[0]}; ±1 % for it and for every other sensor"
    if others and loss > min(f[2] for f in fits):
        basis = f"{basis}; what the sum is off fits another pack better"
        return Gain(around(1.0, half, "1", basis=basis, n=n), names[0])
    found = around(gain, half, "1", basis=basis, n=n)
    if step is None:
        return Gain(found, names[0])
    since = pairs.days[math.ceil(step.at)]
    moved = Estimate(
        step.size, "1", step.size_low, step.size_high, f"daily ratio to {names[0]}, step on {since}", n
    )
    return Gain(found, names[0], since, moved)


def _one_gain(seen: F64, packs: F64, k: int) -> tuple[float, float, float, int]:
    """Gain of pack k if all others are right: (gain, half interval, loss, quarters used)."""
    target = seen - (packs.sum(axis=0) - packs[k])
    design = np.column_stack((target, np.ones(seen.size)))
    keep = np.ones(seen.size, dtype=bool)
    for _ in range(3):
        fit = np.linalg.lstsq(design[keep], packs[k][keep], rcond=None)[0]
        rest = packs[k] - design @ fit
        keep = np.abs(rest) < 4 * 1.4826 * float(np.median(np.abs(rest[keep]))) + 0.05
    spread = target[keep] - target[keep].mean()
    noise = 3 * float(np.std(rest[keep])) / math.sqrt(float(spread @ spread))  # neighbours are alike
    half = student_quantile(0.975, max(int(keep.sum()) - 2, 1)) * math.hypot(noise, 0.003)
    return float(fit[0]), half, float(np.median(np.abs(rest))), int(keep.sum())
