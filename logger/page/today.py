"""Today's course of a pack from the hot rows, thinned in the database so that every extreme survives."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import Connection, and_, func, select

from adapters.base import Subject
from adapters.channels import CATALOGUE, cell_name, temp_name
from analysis.facts import PackFacts
from logger import store_read
from logger.store_write import key_of, table_of

BUCKETS = 160
"""Steps of a day; each keeps its lowest and highest value."""


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


def today(conn: Connection, facts: PackFacts, bounds_ms: tuple[int, int]) -> Today:
    """Read the day so far.

    Parameters
    ----------
    conn : Connection
    facts : PackFacts
        Of the pack.
    bounds_ms : (int, int)
        The day's two midnights. [ms UTC]
    """
    number = store_read.subjects(conn).get(Subject(facts.name))
    cells = [cell_name(i) for i in range(1, facts.n_cells + 1)]
    temps = [temp_name(i) for i in range(1, max(facts.cell_temps, 1) + 1)]
    names = ["pack_a", *cells, *temps]
    if number is None:
        return Today(*(Course((), (), ()),) * 3)
    table = table_of("pack")
    width = max((bounds_ms[1] - bounds_ms[0]) // BUCKETS, 1)
    step = ((table.c.time_ms - bounds_ms[0]) // width).label("step")
    wanted = [f(table.c[n]).label(f"{k}_{n}") for n in names for k, f in (("lo", func.min), ("hi", func.max))]
    within = and_(
        table.c[key_of("pack")] == number, table.c.time_ms >= bounds_ms[0], table.c.time_ms < bounds_ms[1]
    )
    rows = conn.execute(select(step, *wanted).where(within).group_by(step).order_by(step)).mappings().all()
    return Today(*(_course(rows, group) for group in (["pack_a"], cells, temps)))


def _course(rows: object, names: list[str]) -> Course:
    assert isinstance(rows, list | tuple)  # noqa: S101 - for the type checker
    scale = CATALOGUE[names[0]].scale
    at, low, high = [], [], []
    for row in rows:
        lows = [row[f"lo_{n}"] for n in names if row[f"lo_{n}"] is not None]
        highs = [row[f"hi_{n}"] for n in names if row[f"hi_{n}"] is not None]
        if lows:
            at.append((row["step"] + 0.5) / BUCKETS)
            low.append(min(lows) * scale)
            high.append(max(highs) * scale)
    return Course(tuple(at), tuple(low), tuple(high))
