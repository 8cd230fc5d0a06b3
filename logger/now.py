"""The live view of the terminal: what each pack says at this moment, readable in a cold shed.

`PackView` collects the newest value of every channel with the time it was seen; `panel` draws one pack.
Nothing here reads a clock or the record: the caller passes both in.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median
from typing import Final

from rich.align import Align
from rich.console import Group, RenderableType
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from adapters.channels import CATALOGUE, cell_name, decode, temp_name
from analysis.facts import PackFacts
from logger.alerts.bit_names import Names, spelt

STALE_S: Final = 30.0
"""Age from which a value is shown as old. [s]"""
FORGET_S: Final = 86_400.0
"""Age from which a value is not shown at all. [s]"""
LIMITS: Final = (
    ("charge_limit_a", "charging up to", "A"),
    ("discharge_limit_a", "discharging up to", "A"),
    ("charge_limit_v", "at most", "V"),
    ("discharge_limit_v", "not below", "V"),
)
WITNESS: Final = (("dc_v", ".2f", "V"), ("dc_a", "+.1f", "A"), ("ac_w", "+.0f", "W out"))
BAR_MV: Final = 5.0
"""Deviation that one block of a cell's bar stands for. [mV]"""


@dataclass(slots=True)
class PackView:
    """The newest value of every channel of one pack.

    Attributes
    ----------
    facts : PackFacts
        Ratings and limits.
    bit_names : mapping
        Names of its warning and protection bits.
    seen : dict of str to (float, float)
        Channel to value in its canonical unit and the UTC epoch seconds at which it was read.
    """

    facts: PackFacts
    bit_names: Names = field(default_factory=dict)
    seen: dict[str, tuple[float, float]] = field(default_factory=dict)

    def update(self, time_ms: int, values: Mapping[str, int]) -> None:
        """Take in one reading; older values of channels it lacks stay, with their own time."""
        for name, raw in values.items():
            channel = CATALOGUE.get(name)
            if channel is not None and self.seen.get(name, (0.0, 0.0))[1] <= time_ms / 1000:
                self.seen[name] = (decode(channel, raw), time_ms / 1000)

    @property
    def newest_s(self) -> float | None:
        """Time of the newest value, UTC epoch seconds. [s]"""
        return max((at for _, at in self.seen.values()), default=None)

    def value(self, name: str, now_s: float) -> float | None:
        """Return a channel's newest value unless it is too old to show."""
        value, at = self.seen.get(name, (0.0, float("-inf")))
        return value if now_s - at < FORGET_S else None

    def cells(self, now_s: float) -> list[float | None]:
        """Voltage of every cell, in order; None where none was seen. [V]"""
        return [self.value(cell_name(i), now_s) for i in range(1, self.facts.n_cells + 1)]


def age(seconds: float) -> str:
    """Say an age in the shortest useful form.

    >>> age(0.4), age(75), age(7300)
    ('0 s', '75 s', '2 h')
    """
    if seconds < 120:
        return f"{max(0, round(seconds))} s"
    if seconds < 7200:
        return f"{round(seconds / 60)} min"
    return f"{round(seconds / 3600)} h" if seconds < 172_800 else f"{round(seconds / 86_400)} d"


def panel(view: PackView, now_s: float, *, width: int = 80, fahrenheit: bool = False) -> RenderableType:
    """Draw one pack.

    Parameters
    ----------
    view : PackView
        What has been seen.
    now_s : float
        The present, UTC epoch seconds. [s]
    width : int
        Columns at hand.
    fahrenheit : bool
        Show temperatures in °F.

    Returns
    -------
    RenderableType
        A panel of about ten lines.
    """
    newest = view.newest_s
    if newest is None:
        return Panel(
            "nothing received yet", title=f"pack {view.facts.name}", title_align="left", style="yellow"
        )
    late = now_s - newest > STALE_S
    title = Text.assemble((f" pack {view.facts.name} ", "bold reverse"), f"  read {age(now_s - newest)} ago")
    body = Group(
        _headline(view, now_s),
        _cell_line(view, now_s),
        _cell_grid(view, now_s, columns=4 if width >= 76 else 2),
        _temperatures(view, now_s, fahrenheit=fahrenheit),
        _limits(view, now_s),
    )
    return Panel(
        body, title=title, title_align="left", border_style="red" if late else "white",
        subtitle=Text("no fresh readings", "bold red") if late else None, subtitle_align="left", width=width,
    )  # fmt: skip


def witness_line(name: str, values: Mapping[str, float], age_s: float, *, fahrenheit: bool = False) -> Text:
    """Say in one line what another instrument sees, and how long ago.

    Parameters
    ----------
    name : str
    values : mapping of str to float
        By channel, in canonical units.
    age_s : float
        [s]
    fahrenheit : bool
        Show temperatures in °F.
    """
    parts = [f"{values[n]:{form}} {unit}" for n, form, unit in WITNESS if n in values]
    if "soc_seen" in values:
        parts.append(f"{100 * values['soc_seen']:.0f} % full, it says")
    if "ambient" in values:
        air = values["ambient"]
        parts.append(f"air {air * 1.8 + 32:.1f} °F" if fahrenheit else f"air {air:.1f} °C")
    line = Text.assemble((f" {name} ", "bold reverse"), f"  {', '.join(parts) or 'nothing seen'}")
    line.append(f"   {age(age_s)} ago", "yellow" if age_s > STALE_S else "")
    return line


def screen(
    views: Sequence[PackView],
    now_s: float,
    *,
    width: int,
    note: str = "",
    fahrenheit: bool = False,
    witnesses: Sequence[Text] = (),
) -> RenderableType:
    """Draw all packs: side by side where the terminal is wide, else one below the other; then witnesses."""
    parts: list[RenderableType]
    if width >= 156 and len(views) > 1:
        grid = Table.grid(padding=(0, 1))
        half = (width - 1) // 2
        panels = [panel(v, now_s, width=half, fahrenheit=fahrenheit) for v in views]
        for start in range(0, len(panels), 2):
            grid.add_row(*panels[start : start + 2])
        parts = [grid]
    else:
        parts = [panel(v, now_s, width=min(width, 100), fahrenheit=fahrenheit) for v in views]
    parts += witnesses
    if note:
        parts.append(Align.left(Text(note, "dim")))
    return Group(*parts)


def _old(view: PackView, now_s: float, *names: str) -> str:
    """Return the age of the oldest of these values in brackets, if it is old."""
    seconds = max((now_s - view.seen[n][1] for n in names if view.value(n, now_s) is not None), default=0.0)
    return f" ({age(seconds)} old)" if seconds > STALE_S else ""


def _headline(view: PackView, now_s: float) -> Text:
    amps, volts = view.value("pack_a", now_s), view.value("pack_v", now_s)
    line = Text()
    if amps is None:
        line.append("current not seen", "yellow")
    elif abs(amps) < 0.003 * view.facts.rated_ah:
        line.append(f"resting    {amps:+6.1f} A", "bold")
    else:
        line.append(f"{'charging' if amps > 0 else 'discharging':<10} {amps:+6.1f} A", "bold")
    if amps is not None:
        line.append(_old(view, now_s, "pack_a"), "yellow")
    if volts is not None:
        line.append(f"   {volts:.2f} V{_old(view, now_s, 'pack_v')}")
        if amps is not None:
            line.append(f"   {volts * amps:+,.0f} W".replace(",", "\u202f"))
    soc = view.value("soc", now_s)
    if soc is not None:
        line.append(f"   {100 * soc:.0f} % full, it says{_old(view, now_s, 'soc')}")
    return line


def _cell_line(view: PackView, now_s: float) -> Text:
    known = [(v, i) for i, v in enumerate(view.cells(now_s), 1) if v is not None]
    if not known:
        return Text("cells not seen: this source gives none", "yellow")
    (low, lowest), (high, highest) = min(known), max(known)
    text = f"cells, and mV from the middle {median(v for v, _ in known):.3f} V"
    return Text(f"{text}; spread {1000 * (high - low):.0f} mV, highest {highest}, lowest {lowest}")


def _cell_grid(view: PackView, now_s: float, columns: int) -> Table:
    cells = view.cells(now_s)
    known = [v for v in cells if v is not None]
    grid = Table.grid(padding=(0, 2), expand=True)
    for _ in range(columns):
        grid.add_column(no_wrap=True)
    if not known:
        return grid
    middle = median(known)
    rows = -(-len(cells) // columns)
    for row in range(rows):
        grid.add_row(
            *(
                _cell(view, number, middle, now_s)
                for number in range(row + 1, len(cells) + 1, rows)
            )
        )  # fmt: skip
    return grid


def _cell(view: PackView, number: int, middle: float, now_s: float) -> Text:
    volts = view.value(cell_name(number), now_s)
    if volts is None:
        return Text(f"{number:2d}   –", "yellow")
    deviation = 1000 * (volts - middle)
    blocks = min(3, int(abs(deviation) / BAR_MV))
    bar = (("◂" if deviation < 0 else "▸") * blocks).ljust(3)
    facts = view.facts
    near = volts >= facts.cell_high_trip_v - 0.07 or volts <= facts.cell_low_trip_v + 0.3
    old = now_s - view.seen[cell_name(number)][1] > STALE_S
    style = "bold red" if near else "dim" if old else "bold" if blocks else ""
    mark = "!" if near else "?" if old else " "
    return Text(f"{number:2d} {volts:.3f}{mark}{bar}{round(deviation):+4d}", style)


def _temperatures(view: PackView, now_s: float, *, fahrenheit: bool) -> Text:
    line = Text("temperatures ")
    for i in range(1, 9):
        celsius = view.value(temp_name(i), now_s)
        if celsius is None:
            continue
        shown = celsius * 1.8 + 32 if fahrenheit else celsius
        cold = i <= view.facts.cell_temps and celsius <= view.facts.charge_floor_c
        line.append(f" {shown:.1f}{' cold' if cold else ''} ", "bold cyan" if cold else "")
    line.append("°F" if fahrenheit else "°C")
    line.append(_old(view, now_s, *(temp_name(i) for i in range(1, 9))), "yellow")
    ambient = view.value("ambient", now_s)
    if ambient is not None:
        line.append(f"   air {ambient * 1.8 + 32 if fahrenheit else ambient:.1f}")
    heater = view.value("heater_on", now_s)
    if heater is not None:
        line.append("   heater ON" if heater else "   heater off", "bold" if heater else "")
    return line


def _limits(view: PackView, now_s: float) -> Text:
    parts = [
        f"{words} {value:g} {unit}"
        for name, words, unit in LIMITS
        if (value := view.value(name, now_s)) is not None
    ]
    line = Text("it allows " + ", ".join(parts) if parts else "limits not seen")
    line.append(_old(view, now_s, *(name for name, _, _ in LIMITS)), "yellow")
    for name, words in (("charge_enabled", "CHARGING REFUSED"), ("discharge_enabled", "DISCHARGING REFUSED")):
        if view.value(name, now_s) == 0:
            line.append(f"   {words}", "bold red")
    for name, words in (("protections", "PROTECTION"), ("warnings", "warning")):
        value = view.value(name, now_s)
        if value:
            line.append(f"   {words}: {spelt(int(value), view.bit_names.get(name, {}))}", "bold red")
    return line
