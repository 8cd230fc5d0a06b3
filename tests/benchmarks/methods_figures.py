"""Draws the figures of analysis/METHODS.md from banks of the fault library.

Run `nice python tests/benchmarks/methods_figures.py`; it writes SVG into analysis/figures/.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from zoneinfo import ZoneInfo

import matplotlib as mpl
import numpy as np
import pyarrow as pa

mpl.use("svg")
from matplotlib import pyplot as plt
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from analysis.cells.imbalance import CellImbalance, imbalance
from analysis.digest import DayDigest, digest
from analysis.facts import PackFacts
from analysis.history import Bank, History
from analysis.packs.cold import cold
from analysis.packs.witness import witness
from logger.record.store_frames import to_frame, to_witness
from sample_data.bank import Fault, Scenario
from sample_data.cell import RIDGE
from sample_data.faults import place
from sample_data.history import SimDay, bounds, simulate

OUT = Path(__file__).resolve().parents[2] / "analysis" / "figures"
FIRST = dt.date(2025, 10, 6)
CELL = 6
ZONE = ZoneInfo("Europe/Vienna")
FACTS = PackFacts(name="A", heater_w=140.0)


def histories(scenario: Scenario, days: int) -> tuple[dict[str, History], list[SimDay]]:
    """Simulate a bank and digest it."""
    digests: dict[str, list[DayDigest]] = {s.name: [] for s in scenario.packs}
    last: dict[str, pa.Table] = {}
    kept = []
    for day in simulate(scenario, FIRST, days, period_s=10):
        span = bounds(day.day, ZONE)
        seen = tuple(to_witness(name, t) for name, t in day.witness.items())
        for name, t in day.tables.items():
            frame = to_frame(name, day.day.isoformat(), (float(span[0]), float(span[1])), t, last.get(name))
            digests[name].append(digest(frame, PackFacts(name=name, heater_w=140.0), seen))
            last[name] = t.slice(t.num_rows - 180)
        kept.append(day)
    facts = {s.name: PackFacts(name=s.name, heater_w=140.0, balance_a=s.balance_a) for s in scenario.packs}
    return {name: History.of(facts[name], d) for name, d in digests.items()}, kept


def offsets(ax: Axes, title: str, cell: CellImbalance) -> None:
    """Draw the offsets of a cell at the three windows."""
    for where, mark in (("top", "^"), ("middle", "."), ("bottom", "v")):
        points = [p for p in cell.series if p.where == where]
        days = [(dt.date.fromisoformat(p.day) - FIRST).days for p in points]
        ax.plot(days, [p.offset_ah for p in points], mark, ms=4, alpha=0.7, label=where)
    ax.set_title(title, fontsize=9)
    ax.axhline(0, lw=0.5, color="0.5")


def causes() -> None:
    """How three faults differ in the offset of the cell against the median cell."""
    faults = {
        "leak of 20 mA from day 15": Fault("self_discharge", "A", CELL, 0.020, onset_day=15),
        "8 Ah behind from the start": Fault("static_offset", "A", CELL, -8.0),
        "8 % less capacity": Fault("low_capacity", "A", CELL, 0.08),
    }
    figure, axes = plt.subplots(1, 3, figsize=(9, 3), sharey=True)
    for ax, (title, fault) in zip(axes, faults.items(), strict=True):
        found, _ = histories(place(3001, faults=(fault,)), 50)
        offsets(ax, title, imbalance(found["A"]).cells[CELL - 1])
        ax.set_xlabel("day")
    axes[0].set_ylabel("behind the median cell [Ah]")
    axes[0].legend(fontsize=7)
    save(figure, "offset-by-cause")


def plateau() -> None:
    """Why millivolts on the plateau say nothing and the knee says it all."""
    fault = Fault("static_offset", "A", CELL, -6.0)
    days = simulate(place(3002, physics=RIDGE, faults=(fault,)), FIRST, 12, period_s=10)
    # The first deep, full cycle: before balancing has made much of it good.
    day = next(d for d in days if d.truth.packs["A"].max_soc > 0.97 and d.truth.packs["A"].min_soc < 0.45)
    table = day.tables["A"]
    hours = (table["time_ms"].to_numpy() - table["time_ms"][0].as_py())[::9] / 3.6e6
    figure, ax = plt.subplots(figsize=(9, 3.2))
    for number in range(1, 17):
        volts = table[f"cell_{number:02d}_v"].to_numpy()[::9] / 1000
        marked = number == CELL
        ax.plot(hours, volts, color="C3" if marked else "0.6", lw=1.2 if marked else 0.5, zorder=2 + marked)
    ax.set_xlabel("hour of the day")
    ax.set_ylabel("cell voltage [V]")
    ax.set_title("One cell 6 Ah behind: nearly invisible on the plateau, plain at the top knee", fontsize=9)
    save(figure, "plateau-and-knee")


def heating() -> None:
    """Heater energy of a day against the air of the room."""
    found, _ = histories(place(3003, winter_c=2.0), 75)
    result = cold(found["A"], (found["B"],))
    figure, ax = plt.subplots(figsize=(5, 3.2))
    days = [d for d in result.days if np.isfinite(d.heater_wh) and np.isfinite(d.ambient_c)]
    ax.plot([d.ambient_c for d in days], [d.heater_wh for d in days], ".", color="C0")
    if result.model is not None:
        air = np.linspace(min(d.ambient_c for d in days), max(d.ambient_c for d in days), 200)
        model = result.model
        ax.plot(air, model.base + model.slope * np.clip(model.balance_c - air, 0, None), color="C3")
    ax.set_xlabel("mean air temperature [°C]")
    ax.set_ylabel("heater energy [Wh a day]")
    save(figure, "heater-change-point")


def loosening() -> None:
    """The path between pack and inverter, week by week, while a lug loosens."""
    fault = Fault("lead_resistance", "bank", None, 1.2e-3, onset_day=28, ramp_days=30)
    scenario = place(3004, faults=(fault,))
    found, _ = histories(scenario, 70)
    seen = witness(Bank(tuple(found.values()), scenario.timezone))
    figure, ax = plt.subplots(figsize=(5, 3.2))
    for one in seen:
        days = [(dt.date.fromisoformat(w.day) - FIRST).days for w in one.weeks]
        ax.plot(days, [1000 * w.ohm for w in one.weeks], "o-", ms=4, label=f"pack {one.pack}")
    ax.set_xlabel("day")
    ax.set_ylabel("pack to inverter [mΩ]")
    ax.legend(fontsize=7)
    save(figure, "lead-loosens")


def save(figure: Figure, name: str) -> None:
    """Write one figure."""
    OUT.mkdir(exist_ok=True)
    figure.tight_layout()
    figure.savefig(OUT / f"{name}.svg", metadata={"Date": None})
    plt.close(figure)
    print(OUT / f"{name}.svg")


def main() -> None:
    """Draw all of them."""
    mpl.rcParams["svg.hashsalt"] = "bankbook"
    for draw in (plateau, causes, heating, loosening):
        draw()


if __name__ == "__main__":
    main()
