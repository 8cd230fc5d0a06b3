"""Numbers that look like a battery: rows of cells, their sum, temperatures, states of charge."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

CELL_LOW_V, CELL_HIGH_V = 2.0, 3.8
"""Where the voltages of lithium iron phosphate cells lie. Common practice, no source. [V]"""
CELL_SPREAD_V = 0.8
"""Cells of one pack lie closer together than this. [V]"""
CELL_SCALES_V = (0.001, 0.0001, 0.01)
"""Steps that cell voltages are told in. [V]"""
FEWEST, MOST = 4, 32
"""Cells in a row. A pack of the usual 48 V kind has 15 or 16."""


@dataclass(frozen=True, slots=True)
class CellRow:
    """Registers that look like the cells of a pack.

    Attributes
    ----------
    address, stride, count : int
        First register, registers from one to the next, and how many.
    scale_v : float
        Volts a step. [V]
    volts : tuple of float
        What they would be. [V]
    """

    address: int
    stride: int
    count: int
    scale_v: float
    volts: tuple[float, ...]

    @property
    def sum_v(self) -> float:
        """Sum of the cells. [V]"""
        return sum(self.volts)

    @property
    def merit(self) -> float:
        """How much this looks like a pack: full rows of 16 or 15 side by side come first."""
        usual = {16: 10.0, 15: 8.0, 8: 4.0, 32: 4.0, 4: 1.0}.get(self.count, 2.0)
        alike = 1.0 - (max(self.volts) - min(self.volts)) / CELL_SPREAD_V
        return (
            usual + 2.0 * alike + (1.0 if self.stride == 1 else 0.0) + (0.5 if self.scale_v == 0.001 else 0.0)
        )


def cell_rows(registers: Mapping[int, int]) -> list[CellRow]:
    """Find rows of registers that look like cell voltages, the best first.

    Parameters
    ----------
    registers : mapping of int to int
        Registers by address, unsigned.

    Returns
    -------
    list of CellRow
        Rows that do not overlap.
    """
    found = []
    for scale_v in CELL_SCALES_V:
        for stride in (1, 2, 3, 4):
            taken: set[int] = set()
            for address in sorted(registers):
                if address in taken:
                    continue
                row = _row_from(registers, address, stride, scale_v)
                if row is not None:
                    found.append(row)
                    taken.update(range(address, address + stride * row.count, stride))
    found.sort(key=lambda row: -row.merit)
    chosen: list[CellRow] = []
    used: set[int] = set()
    for row in found:
        places = set(range(row.address, row.address + row.stride * row.count, row.stride))
        if not places & used:
            chosen.append(row)
            used |= places
    return chosen


def _row_from(registers: Mapping[int, int], address: int, stride: int, scale_v: float) -> CellRow | None:
    volts: list[float] = []
    while len(volts) < MOST:
        raw = registers.get(address + stride * len(volts))
        volt = None if raw is None else raw * scale_v
        if volt is None or not CELL_LOW_V <= volt <= CELL_HIGH_V:
            break
        if max([*volts, volt]) - min([*volts, volt]) > CELL_SPREAD_V:
            break
        volts.append(round(volt, 4))
    if len(volts) < FEWEST:
        return None
    return CellRow(address, stride, len(volts), scale_v, tuple(volts))


def sums(registers: Mapping[int, int], sum_v: float) -> list[tuple[int, float]]:
    """Registers that read what the cells add up to, within 1 %: (address, volts a step). [V]"""
    hits: list[tuple[int, float]] = []
    for address, raw in sorted(registers.items()):
        scales = (0.01, 0.1, 0.001)
        hits += [(address, scale_v) for scale_v in scales if abs(raw * scale_v - sum_v) <= 0.01 * sum_v]
    return hits


TEMPERATURES = (
    ("s16, 0.1 °C", 0.1, 0.0, -300, 700),
    ("u16, 0.1 K", 0.1, -273.15, 2432, 3432),
    ("u16, 0.1 °C with 40 added", 0.1, -40.0, 200, 1000),
    ("u16, 1 °C with 40 added", 1.0, -40.0, 15, 105),
)
"""Ways to tell a temperature: words, scale, offset [°C], lowest and highest raw value."""


def temperatures(
    registers: Mapping[int, int], taken: set[int]
) -> list[tuple[int, int, str, tuple[float, ...]]]:
    """Rows of 2 to 8 registers that look like temperatures: (address, count, how, degrees). [°C]"""
    rows = []
    for words, scale, offset, low, high in TEMPERATURES:
        address_done = -1
        for address in sorted(registers):
            if address <= address_done or address in taken:
                continue
            degrees: list[float] = []
            while len(degrees) < 8 and address + len(degrees) not in taken:
                raw = registers.get(address + len(degrees))
                signed = None if raw is None else raw - 0x10000 if raw & 0x8000 else raw
                if signed is None or not low <= signed <= high or signed == 0:
                    break
                degree = round(signed * scale + offset, 1)
                if degrees and abs(degree - degrees[0]) > 12:
                    break
                degrees.append(degree)
            if len(degrees) >= 2:
                rows.append((address, len(degrees), words, tuple(degrees)))
                address_done = address + len(degrees) - 1
    return rows


def fractions(registers: Mapping[int, int], taken: set[int]) -> list[tuple[int, str]]:
    """Registers that might be a state of charge: (address, how). Many others look the same."""
    hits = []
    for address, raw in sorted(registers.items()):
        if address in taken:
            continue
        if 5 <= raw <= 100:
            hits.append((address, f"{raw} %"))
        elif 100 < raw <= 1000:
            hits.append((address, f"{raw / 10:g} % in steps of 0.1 %"))
    return hits


def words_of(payload: bytes, *, little: bool, start: int = 0) -> Sequence[int]:
    """16-bit words of a frame from byte `start` on."""
    order = "little" if little else "big"
    return [int.from_bytes(payload[at : at + 2], order) for at in range(start, len(payload) - 1, 2)]  # type: ignore[arg-type] # one of two words
