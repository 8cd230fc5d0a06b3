"""The commissioning check: is what comes in from the wires what a person would expect of this bank?

`judge` is pure: it looks at a handful of readings and at what the user says the screens show. The limits are
common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from statistics import median
from typing import Any, Final, Literal, TypeAlias

from adapters.channels import CATALOGUE, cell_name, decode, temp_name
from analysis.facts import PackFacts

Verdict = Literal["good", "bad", "open"]
Values: TypeAlias = Mapping[str, float]

CELL_V: Final = (2.0, 3.8)
"""Where a cell at work in an LFP bank can be. [V]"""
SUM_FRACTION: Final = 0.01
"""How far the sum of cells may be from the pack's own voltage. [1]"""
TEMP_SPREAD_C: Final = 8.0
"""How far a cell sensor may be from the middle one. [°C]"""
SOC_APART: Final = 0.05
"""How far two screens may be apart. [1]"""
REST_C: Final = 0.005
"""Current below which nothing can be said of its sign. [C]"""
SWING_C: Final = 0.02
"""Change of current that must move the voltage. [C]"""
LIMITS: Final = {
    "charge_limit_a": "charge {} A",
    "discharge_limit_a": "discharge {} A",
    "charge_limit_v": "up to {} V",
    "discharge_limit_v": "down to {} V",
}
SIGN: Final = {"good": "✓", "bad": "✗", "open": "?"}


@dataclass(frozen=True, slots=True)
class Check:
    """One line of the page.

    Attributes
    ----------
    subject : str
        The pack, or "bankbook".
    name : str
        What was looked at.
    verdict : {"good", "bad", "open"}
        Open: it could not be told; `text` says what would tell it.
    text : str
        What was seen.
    """

    subject: str
    name: str
    verdict: Verdict
    text: str


@dataclass(frozen=True, slots=True)
class Screens:
    """What the user reads elsewhere: the inverter's state of charge [1], and what it says the bank does."""

    soc: float | None = None
    doing: Literal["charging", "discharging", "resting"] | None = None


@dataclass(frozen=True, slots=True)
class Baseline:
    """All checks of one commissioning.

    Attributes
    ----------
    site : str
    day : str
        Local date.
    checks : tuple of Check
    readings : mapping of str to dict
        The last reading of each pack, in physical units.
    """

    site: str
    day: str
    checks: tuple[Check, ...]
    readings: Mapping[str, Values]

    @property
    def good(self) -> bool:
        """Whether nothing is bad."""
        return all(check.verdict != "bad" for check in self.checks)

    def as_dict(self) -> dict[str, Any]:
        """Return it for JSON."""
        return {**asdict(self), "readings": {k: dict(v) for k, v in self.readings.items()}, "good": self.good}

    def lines(self) -> list[str]:
        """Return the page, line by line."""
        out = [f"Commissioning check of {self.site}, {self.day}", ""]
        for subject in dict.fromkeys(check.subject for check in self.checks):
            out.append(subject)
            mine = [c for c in self.checks if c.subject == subject]
            out += [*(f"  {SIGN[c.verdict]} {c.name:<22} {c.text}" for c in mine), ""]
        bad = sum(check.verdict == "bad" for check in self.checks)
        left = sum(check.verdict == "open" for check in self.checks)
        end = (
            "All that could be told is well."
            if not bad
            else f"{bad} to mend before the record can be trusted."
        )
        return [*out, end + (f" {left} could not be told." if left else "")]


def physical(values: Mapping[str, int]) -> dict[str, float]:
    """Turn stored integers of a pack into physical values."""
    return {name: decode(CATALOGUE[name], raw) for name, raw in values.items() if name in CATALOGUE}


def judge(facts: PackFacts, temps: int, samples: Sequence[Values], screens: Screens) -> tuple[Check, ...]:
    """Judge one pack.

    Parameters
    ----------
    facts : PackFacts
        As described by the user.
    temps : int
        Temperature sensors the user says there are.
    samples : sequence of mapping
        Readings in order, physical values by channel.
    screens : Screens
        What the user reads elsewhere.

    Returns
    -------
    tuple of Check
        One that is bad if there are no samples.
    """
    if not samples:
        text = "no reading came; see its source in bank.toml, cable and power"
        return (Check(facts.name, "answers", "bad", text),)
    last: dict[str, float] = {}
    for sample in samples:
        last |= sample
    return (
        Check(facts.name, "answers", "good", f"{len(samples)} readings, {len(last)} channels"),
        _cells(facts, last),
        _sum(facts, last),
        _temperatures(facts, temps, last),
        _sign(facts, samples, screens),
        _soc(facts, last, screens),
        _limits(facts, last),
    )


def identity(pack: str, said: Mapping[str, str], label: str | None) -> Check | None:
    """Compare what a pack says about itself with the serial number from its label; None if it says nothing.

    Parameters
    ----------
    pack : str
    said : mapping of str to str
        Texts by name: "serial", "model", …
    label : str or None
        Serial number in bank.toml.
    """
    told = ", ".join(f"{name} {text}" for name, text in said.items() if text)
    if not told:
        return None
    serials = [text for name, text in said.items() if "serial" in name and text]
    if label is None or not serials:
        return Check(pack, "says it is", "good", told)
    if any(_plain(label) == _plain(serial) for serial in serials):
        return Check(pack, "says it is", "good", f"{told}; the serial number is that of the label")
    text = f"{told}; the label says {label}: are two packs exchanged, or is that another number?"
    return Check(pack, "says it is", "open", text)


def _plain(serial: str) -> str:
    """Letters and digits alone, as people copy serial numbers in many ways."""
    return "".join(letter for letter in serial.upper() if letter.isalnum())


def _cells(facts: PackFacts, last: Values) -> Check:
    name = "every cell"
    missing = [i for i in range(1, facts.n_cells + 1) if cell_name(i) not in last]
    if missing:
        numbers = ", ".join(map(str, missing))
        return Check(
            facts.name, name, "bad", f"no value of cell {numbers}: is `cells` right, does the map name them?"
        )
    volts = [last[cell_name(i)] for i in range(1, facts.n_cells + 1)]
    odd = [i for i, v in enumerate(volts, 1) if not CELL_V[0] <= v <= CELL_V[1]]
    if odd:
        return Check(
            facts.name,
            name,
            "bad",
            f"cell {odd[0]} reads {volts[odd[0] - 1]:.3f} V: scale or register is wrong",
        )
    extra = [i for i in range(facts.n_cells + 1, 33) if cell_name(i) in last]
    if extra:
        return Check(facts.name, name, "bad", f"there is a cell {extra[-1]} too: `cells` is {facts.n_cells}")
    spread = 1000 * (max(volts) - min(volts))
    return Check(
        facts.name,
        name,
        "good",
        f"{len(volts)} cells, {min(volts):.3f} to {max(volts):.3f} V ({spread:.0f} mV)",
    )


def _sum(facts: PackFacts, last: Values) -> Check:
    name = "sum of cells"
    volts = [last[cell_name(i)] for i in range(1, facts.n_cells + 1) if cell_name(i) in last]
    if len(volts) < facts.n_cells or "pack_v" not in last:
        return Check(facts.name, name, "open", "needs every cell and the pack's voltage")
    apart = sum(volts) - last["pack_v"]
    verdict: Verdict = "good" if abs(apart) <= SUM_FRACTION * last["pack_v"] else "bad"
    text = f"{sum(volts):.2f} V against {last['pack_v']:.2f} V at the terminals ({apart:+.2f} V)"
    return Check(facts.name, name, verdict, text)


def _temperatures(facts: PackFacts, temps: int, last: Values) -> Check:
    name = "temperature sensors"
    missing = [i for i in range(1, temps + 1) if temp_name(i) not in last]
    if missing:
        return Check(
            facts.name, name, "bad", f"no value of sensor {', '.join(map(str, missing))}: is `temps` right?"
        )
    cells = [last[temp_name(i)] for i in range(1, min(facts.cell_temps, temps) + 1)]
    if not cells:
        return Check(facts.name, name, "open", "the pack has none on cells")
    middle = median(cells)
    far = [i for i, t in enumerate(cells, 1) if abs(t - middle) > TEMP_SPREAD_C]
    if far:
        return Check(
            facts.name,
            name,
            "bad",
            f"sensor {far[0]} reads {cells[far[0] - 1]:.1f} °C, the others {middle:.1f} °C",
        )
    return Check(facts.name, name, "good", f"{temps} alive; on cells {min(cells):.1f} to {max(cells):.1f} °C")


def _sign(facts: PackFacts, samples: Sequence[Values], screens: Screens) -> Check:
    name = "sign of current"
    both = [(s["pack_a"], s["pack_v"]) for s in samples if "pack_a" in s and "pack_v" in s]
    if not both:
        return Check(facts.name, name, "bad", "no current is read: does the map name pack_a?")
    amps = median(a for a, _ in both)
    low, high = min(both), max(both)
    if high[0] - low[0] >= SWING_C * facts.rated_ah and high[1] != low[1]:
        rises = high[1] > low[1]
        moved = f"{'rose' if rises else 'FELL'} from {low[1]:.2f} to {high[1]:.2f} V"
        text = f"from {low[0]:+.1f} to {high[0]:+.1f} A the voltage {moved}"
        turn = "" if rises else ": turn `positive` in the map"
        return Check(facts.name, name, "good" if rises else "bad", text + turn)
    seen = "resting" if abs(amps) < REST_C * facts.rated_ah else "charging" if amps > 0 else "discharging"
    if screens.doing is None or "resting" in {seen, screens.doing}:
        return Check(
            facts.name, name, "open", f"{amps:+.1f} A ({seen}); look again while a big load or the sun is on"
        )
    agree = seen == screens.doing
    text = f"{amps:+.1f} A ({seen}), the screen says {screens.doing}"
    return Check(
        facts.name, name, "good" if agree else "bad", text + ("" if agree else ": turn `positive` in the map")
    )


def _soc(facts: PackFacts, last: Values, screens: Screens) -> Check:
    name = "state of charge"
    if "soc" not in last:
        return Check(facts.name, name, "open", "the pack reports none")
    if screens.soc is None:
        return Check(
            facts.name, name, "open", f"the pack says {100 * last['soc']:.0f} %; what does the inverter show?"
        )
    near = abs(last["soc"] - screens.soc) <= SOC_APART
    text = f"the pack says {100 * last['soc']:.0f} %, the inverter {100 * screens.soc:.0f} %"
    return Check(facts.name, name, "good" if near else "bad", text)


def _limits(facts: PackFacts, last: Values) -> Check:
    name = "limits, protections"
    known = [n for n in LIMITS if n in last]
    if not known and "protections" not in last:
        return Check(
            facts.name, name, "open", "the map names none; nothing can be said of what the pack asks for"
        )
    text = ", ".join(LIMITS[n].format(f"{last[n]:g}") for n in known) or "no limits"
    if "protections" in last:
        bits = int(last["protections"])
        text += f"; a protection is open now, bits {bits:#x}: is that so?" if bits else "; no protection open"
    return Check(facts.name, name, "good", text)
