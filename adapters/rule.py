"""From a raw number on the wire to the stored integer of a channel: one compiled rule a value."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction

from adapters.channels import CATALOGUE, WITNESS_CATALOGUE, Channel
from adapters.toml_file import Section
from adapters.units import TO_CANONICAL

SIGNED = {"pack_a": "charge", "dc_a": "charge"}
"""Channels whose sign a map must state, and what their positive value means."""

CHANNELS: dict[str, Channel] = {**WITNESS_CATALOGUE, **CATALOGUE}
"""Every channel a map may fill."""

LARGEST = 1e12
"""Scales and offsets beyond it are mistakes."""
Value = int | str | None
"""Outcome of a rule: the stored integer, a reason for refusing the value, or None if it is not available."""


@dataclass(frozen=True, slots=True)
class Rule:
    """How one raw value becomes one channel.

    Attributes
    ----------
    channel : str
        Channel name.
    kind : {"number", "flag", "bits"}
        Kind of the channel.
    gain, shift_by : float
        stored = round(gain × raw + shift_by), numbers only. [stored steps]
    low, high : int
        Limits of the stored integer.
    absent : frozenset of int
        Raw values that mean "not available", as bit patterns or signed numbers.
    width : int
        Bits of the raw value.
    """

    channel: str
    kind: str
    gain: float = 1.0
    shift_by: float = 0.0
    low: int = 0
    high: int = 1
    absent: frozenset[int] = frozenset()
    bit: int | None = None
    on: frozenset[int] | None = None
    off: frozenset[int] | None = None
    invert: bool = False
    shift: int = 0
    bits: Mapping[int, str] = field(default_factory=dict)
    cases: Mapping[int, int] | None = None
    width: int = 32

    @property
    def mask(self) -> int:
        """Bits of a bit-set channel that this rule fills: those it names, or else all that it reads."""
        if self.bits:
            return sum(1 << bit for bit in self.bits)
        return ((1 << self.width) - 1) << self.shift

    def __call__(self, raw: float) -> Value:
        """Turn a raw value into the stored integer, a reason, or None."""
        if raw in self.absent:
            return None
        if self.kind == "number":
            return self._number(raw)
        if not math.isfinite(raw):
            return None
        return self._flag(int(raw)) if self.kind == "flag" else self._bits(int(raw))

    def put(self, raw: float, values: dict[str, int], rejected: dict[str, str]) -> None:
        """Put a raw value into its channel, or the reason why not; bit sets of several values merge."""
        stored = self(raw)
        if stored is None:
            return
        if isinstance(stored, str):
            rejected[self.channel] = stored
        elif self.kind == "bits":
            values[self.channel] = values.get(self.channel, 0) | stored
        else:
            values[self.channel] = stored

    def _number(self, raw: float) -> Value:
        exact = self.gain * raw + self.shift_by
        if not math.isfinite(exact):
            return None
        stored = round(exact)
        if self.low <= stored <= self.high:
            return stored
        return f"out of range (raw {raw:g})"

    def _flag(self, raw: int) -> Value:
        if self.bit is not None:
            state = bool(raw >> self.bit & 1)
        elif self.on is not None:
            state = raw in self.on
            if not state and self.off is not None and raw not in self.off:
                return f"neither on nor off (raw {raw})"
        elif self.off is not None:
            state = raw not in self.off
        else:
            state = raw != 0
        return int(state != self.invert)

    def _bits(self, raw: int) -> Value:
        if self.cases is not None:
            if raw == 0:
                return 0
            place = self.cases.get(raw)
            return f"unknown case (raw {raw})" if place is None else 1 << place
        stored = raw << self.shift
        if 0 <= stored <= self.high:
            return stored
        return f"out of range (raw {raw})"


class Filled:
    """Which channels entries have filled so far; each channel, or bit of one, has one source."""

    def __init__(self) -> None:
        self._masks: dict[str, int] = {}

    def claim(self, section: Section, rule: Rule) -> None:
        """Take a channel for an entry.

        Raises
        ------
        MapError
            If it, or one of the bits, is taken.
        """
        before, mask = self._masks.get(rule.channel), rule.mask if rule.kind == "bits" else 0
        if before is not None and (rule.kind != "bits" or before & mask):
            remedy = "each channel, and bit, has one source"
            raise section.error("channel", f"{rule.channel} is filled twice", remedy)
        self._masks[rule.channel] = (before or 0) | mask


def channel_row(section: Section, count: int) -> list[Channel]:
    """Find the channel an entry names, and the ones that follow in its numbered row.

    Raises
    ------
    MapError
        If there is no such channel, or the row ends earlier.
    """
    first = section.text("channel")
    if first not in CHANNELS:
        known = "cells are cell_01_v to cell_32_v, sensors temp_1 to temp_8; adapters/channels.py lists all"
        raise section.error("channel", "there is no such channel", known)
    if count == 1:
        return [CHANNELS[first]]
    digits = [index for index, letter in enumerate(first) if letter.isdigit()]
    if not digits:
        raise section.error("channel", "is not numbered, so count must be 1", "remove count")
    start, stop = digits[0], digits[-1] + 1
    row = []
    for number in range(int(first[start:stop]), int(first[start:stop]) + count):
        name = f"{first[:start]}{number:0{stop - start}d}{first[stop:]}"
        if name not in CHANNELS:
            raise section.error("count", f"the row reaches {name}, which is no channel", "lower count")
        row.append(CHANNELS[name])
    return row


def rule_from(
    section: Section,
    channel: Channel,
    *,
    scale: float = 1.0,
    offset: float = 0.0,
    unit: str | None = None,
    width: int = 16,
) -> Rule:
    """Compile the conversion keys of an entry for one channel.

    Parameters
    ----------
    section : Section
        The entry: reads scale, offset, unit, positive, absent, bit, on, off, invert, shift, bits, cases.
    channel : Channel
        Where the value goes.
    scale, offset : float
        Conversion that comes before the entry's own (a CAN database's): physical = raw × scale + offset.
    unit : str or None
        Unit to take if the entry states none.
    width : int
        Bits of the raw value.

    Raises
    ------
    MapError
        Naming the key that is missing or does not fit.
    """
    for key in ("absent", "on", "off"):
        _fit(section, key, width)
    absent = _patterns(section.integers("absent") or (), width)
    if channel.kind == "number":
        return _number_rule(section, channel, scale=scale, offset=offset, unit=unit, absent=absent)
    for key in ("scale", "offset", "unit", "positive"):
        if key in section:
            raise section.error(key, f"{channel.name} is no number", f"remove {key}")
    if channel.kind == "flag":
        return _flag_rule(section, channel, absent, width)
    return _bits_rule(section, channel, absent, width)


def _fit(section: Section, key: str, width: int) -> None:
    """Refuse raw values that so many bits cannot hold, as pattern or as signed number."""
    for value in section.integers(key) or ():
        if not -(1 << (width - 1)) <= value < 1 << width:
            raise section.error(
                key, f"{value} does not fit into {width} bits", "give the raw value as the list has it"
            )


def _number_rule(
    section: Section,
    channel: Channel,
    *,
    scale: float,
    offset: float,
    unit: str | None,
    absent: frozenset[int],
) -> Rule:
    if not (abs(scale) <= LARGEST and abs(offset) <= LARGEST):  # also true of a NaN
        raise section.error(
            "signal", f"scale {scale:g}, offset {offset:g} in the database cannot be", "mend the database"
        )
    own_scale = section.number("scale", 1)
    own_offset = section.number("offset", 0)
    if own_scale == 0:
        raise section.error("scale", "a scale of 0 makes every value the same", "give the scale of the list")
    word = section.text("unit", unit if unit is not None else "" if channel.unit == "" else None)
    if word not in TO_CANONICAL:
        raise section.error("unit", "unknown unit", "use one of: " + " ".join(w for w in TO_CANONICAL if w))
    canonical, factor, zero = TO_CANONICAL[word]
    if canonical != channel.unit:
        remedy = f"{channel.name} is in {channel.unit or 'no unit'}; check channel and unit"
        raise section.error("unit", "does not suit the channel", remedy)
    sign = _sign(section, channel)
    gain = Fraction(str(scale)) * Fraction(str(own_scale))
    shift = Fraction(str(offset)) * Fraction(str(own_scale)) + Fraction(str(own_offset))
    step = Fraction(str(channel.scale))
    unit_gain, unit_zero = Fraction(factor).limit_denominator(10**9), Fraction(zero).limit_denominator(10**9)
    return Rule(
        channel=channel.name,
        kind="number",
        gain=float(sign * gain * unit_gain / step),
        shift_by=float(sign * (shift * unit_gain + unit_zero) / step),
        low=math.ceil(Fraction(str(channel.low)) / step),
        high=math.floor(Fraction(str(channel.high)) / step),
        absent=absent,
    )


def _sign(section: Section, channel: Channel) -> int:
    if channel.name not in SIGNED:
        if "positive" in section:
            raise section.error("positive", "only pack_a and dc_a have a direction", "remove positive")
        return 1
    if "positive" not in section:
        raise section.error(
            "positive", "is missing", 'say what a positive current means: "charge" or "discharge"'
        )
    return 1 if section.choice("positive", ("charge", "discharge")) == SIGNED[channel.name] else -1


def _flag_rule(section: Section, channel: Channel, absent: frozenset[int], width: int) -> Rule:
    on, off = section.integers("on"), section.integers("off")
    bit = section.integer("bit", 0, min(width, 32) - 1) if "bit" in section else None
    if bit is not None and (on is not None or off is not None):
        raise section.error("bit", "cannot stand beside on or off", "keep the one that the list describes")
    if set(on or ()) & set(off or ()):
        raise section.error("off", "has a value that stands in on too", "leave it in one of the two")
    return Rule(
        channel=channel.name,
        kind="flag",
        absent=absent,
        bit=bit,
        on=None if on is None else frozenset(on),
        off=None if off is None else frozenset(off),
        invert=section.flag("invert"),
    )


def _bits_rule(section: Section, channel: Channel, absent: frozenset[int], width: int) -> Rule:
    shift = section.integer("shift", 0, 31, 0)
    names = section.names("bits", 0, min(width, 32) - 1)
    cases = section.names("cases", 1, 2**32 - 1)
    if names and cases:
        raise section.error("cases", "cannot stand beside bits", "keep the one that the list describes")
    if cases:
        if shift + len(cases) > 32:
            raise section.error("cases", "more than 32 bits are needed", "split the list over two channels")
        names = dict(enumerate(cases.values(), start=shift))
        places = {raw: place for place, raw in enumerate(cases, start=shift)}
        return Rule(
            channel.name, "bits", high=2**32 - 1, absent=absent, shift=shift, bits=names, cases=places
        )
    for bit in names:
        if bit + shift > 31:
            raise section.error("bits", f"bit {bit} would become bit {bit + shift}", "lower shift")
    named = {bit + shift: name for bit, name in names.items()}
    return Rule(channel.name, "bits", high=2**32 - 1, absent=absent, shift=shift, bits=named, width=width)


def _patterns(values: tuple[int, ...], width: int) -> frozenset[int]:
    """Both readings of each value: as a bit pattern of this width and as a signed number."""
    both = set()
    for value in values:
        both.add(value)
        both.add(value - (1 << width) if value >= 1 << (width - 1) else value)
        both.add(value + (1 << width) if value < 0 else value)
    return frozenset(both)
