"""Registers of a pack's SunSpec models to channels."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from adapters import sunspec_models as sm
from adapters.channels import CATALOGUE, MAX_CELLS, MAX_TEMPS, cell_name, encode, temp_name
from adapters.planner import MOST_REGISTERS as ONE_READ


@dataclass(frozen=True, slots=True)
class Model:
    """A model found on the device: its ID, address of the ID, and length without ID and length."""

    number: int
    address: int
    length: int


@dataclass(frozen=True, slots=True)
class Battery:
    """What of a device is this pack: battery, bank, string, modules in series (each may be absent)."""

    battery: Model | None
    bank: Model | None
    string: Model | None
    modules: tuple[Model, ...]

    @property
    def models(self) -> tuple[Model, ...]:
        """All that are read."""
        return tuple(m for m in (self.battery, self.bank, self.string, *self.modules) if m is not None)


def borders(model: Model) -> tuple[int, int]:
    """(registers before the repeated group, registers of one): no point lies across these borders."""
    if model.number == 805:
        return sm.MODULE_FIXED, sm.CELL_SIZE
    return min(model.length + 2, ONE_READ), ONE_READ


def cuts(start: int, end: int, borders: tuple[int, int]) -> list[tuple[int, int]]:
    """Cut a model into reads of at most 125 registers, on the borders of its groups.

    >>> cuts(0, 172, (44, 4))
    [(0, 124), (124, 172)]
    """
    fixed, step = borders
    pieces = []
    at = start
    while at < end:
        if end - at <= ONE_READ:
            stop = end
        elif at == start:
            stop = at + fixed + (ONE_READ - fixed) // step * step
        else:
            stop = at + ONE_READ // step * step
        pieces.append((at, stop))
        at = stop
    return pieces


def decode(
    battery: Battery, registers: Mapping[int, int], sign: int
) -> tuple[dict[str, int], dict[str, str]]:
    """Registers of a pack's models to channels.

    Parameters
    ----------
    battery : Battery
        The models.
    registers : mapping of int to int
        Their registers by address.
    sign : {1, -1}
        1 if a positive current charges.

    Returns
    -------
    (dict, dict)
        Stored integers by channel, reasons for refused values by channel.
    """
    found: dict[str, float | None] = {}
    tables = (
        *((m, sm.MODULE) for m in battery.modules[:1] if len(battery.modules) == 1),
        *((m, sm.BANK) for m in (battery.bank,) if m is not None),
        *((m, sm.BATTERY) for m in (battery.battery,) if m is not None),
        *((m, sm.STRING) for m in (battery.string,) if m is not None),
    )
    for model, table in tables:
        for name, point in table.items():
            if point.offset < model.length + 2 and (point.scale or 0) < model.length + 2:
                value = sm.read_point(point, registers, model.address)
                found[name] = value if value is not None else found.get(name)
    wanted = _pack_values(found, sign)
    wanted.update(_cell_values(battery.modules, registers))
    values: dict[str, int] = {}
    rejected: dict[str, str] = {}
    for channel, value in wanted.items():
        if value is None:
            continue
        stored = encode(CATALOGUE[channel], value)
        if stored is None:
            rejected[channel] = f"out of range ({value:g})"
        else:
            values[channel] = stored
    return values, rejected


def _pack_values(found: Mapping[str, float | None], sign: int) -> dict[str, float | None]:
    def part(name: str, factor: float = 1.0) -> float | None:
        value = found.get(name)
        return None if value is None else value * factor

    events = found.get("Evt1")
    balanced = found.get("NCellBal")
    highest, lowest = (
        found.get("CellTmpMax", found.get("ModTmpMax")),
        found.get("CellTmpMin", found.get("ModTmpMin")),
    )
    return {
        "pack_v": part("V"),
        "pack_a": part("A", sign),
        "soc": part("SoC", 0.01),
        "soh": part("SoH", 0.01),
        "cycles_reported": part("NCyc"),
        "charge_limit_a": part("AChaMax"),
        "discharge_limit_a": part("ADisChaMax"),
        "balancing": None if balanced is None else float(balanced > 0),
        "warnings": None if events is None else float(int(events) & sm.WARNING_BITS),
        "protections": None if events is None else float(int(events) & sm.PROTECTION_BITS),
        "temp_1": lowest,
        "temp_2": highest,
    }


def _cell_values(modules: Sequence[Model], registers: Mapping[int, int]) -> dict[str, float | None]:
    """Cells of the modules, numbered through in series, and up to eight of their temperatures."""
    volts: list[float | None] = []
    temps: list[float | None] = []
    balancing = 0
    for module in modules:
        there = (module.length + 2 - sm.MODULE_FIXED) // sm.CELL_SIZE
        count = int(sm.read_point(sm.MODULE["NCell"], registers, module.address) or 0)
        for place in range(min(count, there, MAX_CELLS - len(volts))):
            group = sm.MODULE_FIXED + place * sm.CELL_SIZE
            state = sm.read_point(sm.CELL["CellSt"], registers, module.address, group)
            balancing |= (int(state or 0) & sm.BALANCING) << len(volts)
            volts.append(sm.read_point(sm.CELL["CellV"], registers, module.address, group))
            temps.append(sm.read_point(sm.CELL["CellTmp"], registers, module.address, group))
    cells: dict[str, float | None] = {cell_name(n): volt for n, volt in enumerate(volts, start=1)}
    if volts:
        cells["balancing_cells"] = float(balancing)
    if all(temp is None for temp in temps):
        return cells
    step = -(-len(temps) // MAX_TEMPS)
    cells.update({temp_name(n): temp for n, temp in enumerate(temps[::step], start=1)})
    return cells
