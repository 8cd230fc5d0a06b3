"""Today's course of a pack from the hot rows, thinned in the database so that every extreme survives."""

from __future__ import annotations

from dataclasses import dataclass, field

from sqlalchemy import Connection, and_, func, select

from adapters.base import Subject
from adapters.channels import CATALOGUE, cell_name, temp_name
from analysis.facts import PackFacts
from logger.record import store_read
from logger.record.store_write import key_of, table_of

BUCKETS = 160
"""Steps of a day; each keeps its lowest and highest value."""
LATE_MS = 15 * 60_000
"""Readings that come later than this after newer ones are not drawn until the page starts anew. [ms]"""


@dataclass(frozen=True, slots=True)
class Course:
    """Lowest and highest value in each step of the day that has readings.

    Attributes
    ----------
    at : tuple of float
        Middle of the step as a fraction of the day, 0–1.
    low, high : tuple of float
        In the channel's unit.
    """

    at: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Today:
    """The day so far: current [A], lowest and highest cell [V], coldest and warmest cell sensor [°C]."""

    current: Course
    cells: Course
    temperature: Course


@dataclass(slots=True)
class Tracker:
    """One pack's day so far, read on from where it was; each step keeps its lowest and highest.

    Attributes
    ----------
    facts : PackFacts
        Of the pack.
    bounds_ms : (int, int)
        The day's two midnights. [ms UTC]
    """

    facts: PackFacts
    bounds_ms: tuple[int, int]
    _read_ms: int = 0
    _kept: dict[str, dict[int, tuple[int, int]]] = field(default_factory=dict)

    def update(self, conn: Connection) -> Today:
        """Take in what was recorded since the last call, and a little before it: readings may come late."""
        start = max(self.bounds_ms[0], self._read_ms - LATE_MS)
        for group, names in self._groups().items():
            kept = self._kept.setdefault(group, {})
            for step, low, high in _extremes(conn, self.facts.name, names, start, self.bounds_ms):
                before = kept.get(step, (low, high))
                kept[step] = (min(low, before[0]), max(high, before[1]))
        self._read_ms = max(self._read_ms, _newest(conn, self.facts.name, self.bounds_ms))
        scales = {group: CATALOGUE[names[0]].scale for group, names in self._groups().items()}
        return Today(*(_course(self._kept[group], scales[group]) for group in self._groups()))

    def _groups(self) -> dict[str, list[str]]:
        return {
            "current": ["pack_a"],
            "cells": [cell_name(i) for i in range(1, self.facts.n_cells + 1)],
            "temperature": [temp_name(i) for i in range(1, max(self.facts.cell_temps, 1) + 1)],
        }


def _extremes(
    conn: Connection, pack: str, names: list[str], from_ms: int, bounds_ms: tuple[int, int]
) -> list[tuple[int, int, int]]:
    """Lowest and highest of some columns in each step that has any."""
    number = store_read.subjects(conn).get(Subject(pack))
    if number is None:
        return []
    table = table_of("pack")
    step = ((table.c.time_ms - bounds_ms[0]) // step_ms(bounds_ms)).label("step")
    wanted = [f(table.c[n]) for f in (func.min, func.max) for n in names]
    within = and_(
        table.c[key_of("pack")] == number, table.c.time_ms >= from_ms, table.c.time_ms < bounds_ms[1]
    )
    found = []
    for row in conn.execute(select(step, *wanted).where(within).group_by(step)).all():
        lows = [v for v in row[1 : 1 + len(names)] if v is not None]
        highs = [v for v in row[1 + len(names) :] if v is not None]
        if lows:
            found.append((int(row[0]), min(lows), max(highs)))
    return found


def _newest(conn: Connection, pack: str, bounds_ms: tuple[int, int]) -> int:
    number = store_read.subjects(conn).get(Subject(pack), -1)
    table = table_of("pack")
    within = and_(table.c[key_of("pack")] == number, table.c.time_ms < bounds_ms[1])
    return conn.execute(select(func.max(table.c.time_ms)).where(within)).scalar() or 0


def step_ms(bounds_ms: tuple[int, int]) -> int:
    """Length of a step. [ms]"""
    return max((bounds_ms[1] - bounds_ms[0]) // BUCKETS, 1)


def _course(kept: dict[int, tuple[int, int]], scale: float) -> Course:
    steps = sorted(kept)
    return Course(
        tuple((step + 0.5) / BUCKETS for step in steps),
        tuple(kept[step][0] * scale for step in steps),
        tuple(kept[step][1] * scale for step in steps),
    )
