"""Live early warnings: readings in, warnings raised and cleared out. No clock, no I/O of its own."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any, Literal

from adapters.channels import CATALOGUE, decode
from analysis.facts import PackFacts
from logger.alerts.bit_names import Names
from logger.alerts.latch import Latch
from logger.alerts.rules import Look, Rule, rules
from logger.settings import Watch

KINDS: dict[str, str] = {
    "cell_high": "a cell nears the voltage at which the pack cuts off charging",
    "cell_low": "a cell nears the voltage at which the pack cuts off discharging",
    "top_spread": "the cells differ by much at the top of the charge",
    "cold_charge": "the bank is charged while its coldest cell is at or below the floor",
    "heater_no_rise": "the heater is on and nothing gets warmer",
    "protection": "the pack reports that a protection has opened",
    "pack_warning": "the pack itself warns of something",
    "silent": "a source gives no readings",
    "disk": "the disk is nearly full",
    "clock": "the clock is not known to be right",
}
"""Every live warning and what it means."""


@dataclass(frozen=True, slots=True)
class Alert:
    """A warning that was raised or cleared.

    Attributes
    ----------
    kind : str
        A key of `KINDS`.
    subject : str
        The pack or source, or "bankbook".
    severity : {"watch", "act"}
    active : bool
        True when raised, False when cleared.
    time_s : float
        UTC epoch seconds. [s]
    value, unit
        What was seen.
    text : str
        The sentence for a person.
    """

    kind: str
    subject: str
    severity: Literal["watch", "act"]
    active: bool
    time_s: float
    value: float
    unit: str
    text: str

    def as_dict(self) -> dict[str, Any]:
        """Return it for JSON."""
        return asdict(self)


@dataclass(slots=True)
class Watcher:
    """All rules of all packs and sources, with their state."""

    facts: Mapping[str, PackFacts]
    settings: Watch
    sources: Sequence[str] = ()
    bit_names: Mapping[str, Names] = field(default_factory=dict)
    _rules: dict[str, tuple[Rule, ...]] = field(init=False)
    _latches: dict[tuple[str, str], Latch] = field(default_factory=dict)
    _heard: dict[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._rules = {
            name: rules(f, self.settings, self.bit_names.get(name)) for name, f in self.facts.items()
        }

    def reading(self, subject: str, time_s: float, values: Mapping[str, int]) -> list[Alert]:
        """Look at one reading of a pack.

        Parameters
        ----------
        subject : str
            The pack; witnesses and unknown names are passed over.
        time_s : float
            When it was taken, UTC epoch seconds. [s]
        values : mapping of str to int
            Stored integers by channel.

        Returns
        -------
        list of Alert
            What was raised or cleared by it.
        """
        physical = {name: decode(CATALOGUE[name], raw) for name, raw in values.items() if name in CATALOGUE}
        physical["time_s"] = time_s
        found = []
        for rule in self._rules.get(subject, ()):
            look = rule.look(physical)
            if look is not None:
                found += self._step(
                    rule.kind, subject, rule.severity, rule.hold_s, rule.release_s, look, time_s
                )
        return found

    def heard(self, source: str, time_s: float) -> None:
        """Note that a source gave something."""
        self._heard[source] = time_s

    def tick(self, now_s: float, *, free_bytes: int | None = None, clock_trusted: bool = True) -> list[Alert]:
        """Look at what no reading tells: silence, disk and clock. Call it every few seconds."""
        found = []
        for source in self.sources:
            quiet = now_s - self._heard.setdefault(source, now_s)
            limit = self.settings.silent_s
            text = f"{source} has given nothing for {quiet:.0f} s"
            look = Look(quiet, "s", over=quiet >= limit, clear=quiet < min(limit, 10.0), text=text)
            found += self._step("silent", source, "watch", 0, 5, look, now_s)
        if free_bytes is not None:
            free, limit = free_bytes / 1e6, self.settings.disk_free_mb
            look = Look(
                free,
                "MB",
                over=free < limit,
                clear=free > 1.2 * limit,
                text=f"{free:,.0f} MB left on the disk",
            )
            found += self._step("disk", "bankbook", "act", 0, 60, look, now_s)
        text = "the clock is not known to be right; readings are kept as provisional"
        look = Look(0.0, "", over=not clock_trusted, clear=clock_trusted, text=text)
        found += self._step("clock", "bankbook", "watch", 600, 0, look, now_s)
        return found

    @property
    def standing(self) -> list[tuple[str, str]]:
        """Kind and subject of every warning that stands now."""
        return [key for key, latch in self._latches.items() if latch.up]

    def _step(
        self, kind: str, subject: str, severity: Literal["watch", "act"], hold_s: float, release_s: float,
        look: Look, now_s: float,
    ) -> list[Alert]:  # fmt: skip
        latch = self._latches.setdefault((kind, subject), Latch(hold_s, release_s))
        change = latch.update(now_s, over=look.over, clear=look.clear)
        if change is None:
            return []
        text = look.text if change == "raised" else f"over: {KINDS[kind]}"
        return [Alert(kind, subject, severity, change == "raised", now_s, look.value, look.unit, text)]
