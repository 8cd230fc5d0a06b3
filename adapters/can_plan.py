"""A binding compiled for speed: frames are kept as they come, and decoded once, when a reading is made.

Of a frame that repeats many times within one period only the last is decoded. Signals that are whole bytes
are taken out with one `struct` call a frame; the rest by shift and mask.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from adapters.binding import Binding, Bits, BoundSignal, Condition

Extract = Callable[[bytes], float]


@dataclass(frozen=True, slots=True)
class Group:
    """Signals that always come in the same frame.

    Attributes
    ----------
    key : int
        Frame key.
    condition : Condition
        What its multiplexers must read.
    signals : tuple of BoundSignal
        The signals.
    unpack : callable or None
        Payload → raw values of all signals, if `struct` can do it.
    size : int
        Bytes that `unpack` needs. [bytes]
    plain : tuple or None
        (channels, low, high) if stored = raw for all, which then needs no rule a value.
    """

    key: int
    condition: Condition
    signals: tuple[BoundSignal, ...]
    unpack: Callable[[bytes], tuple[float, ...]] | None
    size: int
    plain: tuple[tuple[str, ...], int, int] | None
    stale_s: float


def extractor(bits: Bits) -> Extract:
    """Return the function payload → raw value. The payload must have at least `bits.size` bytes.

    >>> from adapters.binding import Bits
    >>> extractor(Bits(little=True, shift=4, length=8, size=2))(bytes([0xF0, 0x0A]))
    175
    """
    shift, mask, size = bits.shift, (1 << bits.length) - 1, bits.size
    sign, wrap = 1 << (bits.length - 1), 1 << bits.length
    little, signed, form = bits.little, bits.signed, bits.form
    width = bits.length // 8

    def extract(payload: bytes) -> float:
        word = int.from_bytes(payload if little else payload[:size], "little" if little else "big")
        raw = word >> shift & mask
        if form:
            number: float = struct.unpack(form, raw.to_bytes(width, "big"))[0]
            return number
        return raw - wrap if signed and raw & sign else raw

    return extract


def groups_of(binding: Binding) -> tuple[Group, ...]:
    """Group the signals of a binding by frame and multiplexer state."""
    together: dict[tuple[int, Condition], list[BoundSignal]] = {}
    for signal in binding.signals:
        together.setdefault((signal.key, signal.condition), []).append(signal)
    return tuple(_group(key, condition, signals) for (key, condition), signals in together.items())


def _group(key: int, condition: Condition, signals: Sequence[BoundSignal]) -> Group:
    ordered = sorted(signals, key=lambda s: _first_byte(s.bits))
    form = _struct_form([s.bits for s in ordered])
    chosen = tuple(ordered) if form is not None else tuple(signals)
    unpacker = struct.Struct(form) if form is not None else None
    return Group(
        key=key,
        condition=condition,
        signals=chosen,
        unpack=None if unpacker is None else unpacker.unpack_from,
        size=0 if unpacker is None else unpacker.size,
        plain=_plain(chosen) if unpacker is not None else None,
        stale_s=max(s.stale_s for s in chosen),
    )


def _first_byte(bits: Bits) -> int:
    return bits.shift // 8 if bits.little else bits.size - (bits.shift + bits.length + 7) // 8


_FORMS = {8: "b", 16: "h", 32: "i", 64: "q"}


def _struct_form(row: Sequence[Bits]) -> str | None:
    """`struct` format of signals in order, or None if one is not whole bytes, or they overlap or differ."""
    form, at = "<" if row[0].little else ">", 0
    for bits in row:
        start = _first_byte(bits)
        if bits.length not in _FORMS or bits.shift % 8 or bits.little != row[0].little or start < at:
            return None
        letter = bits.form[1] if bits.form else _FORMS[bits.length]
        form += "x" * (start - at) + (letter if bits.signed or bits.form else letter.upper())
        at = start + bits.length // 8
    return form


def _plain(signals: Sequence[BoundSignal]) -> tuple[tuple[str, ...], int, int] | None:
    rules = [s.rule for s in signals]
    first = rules[0]
    alike = all(
        r.kind == "number" and r.gain == 1 and r.shift_by == 0 and (r.low, r.high) == (first.low, first.high)
        for r in rules
    )
    integers = not any(s.bits.form for s in signals)
    outside = all(not first.low <= a <= first.high for r in rules for a in r.absent)
    same_age = len({s.stale_s for s in signals}) == 1
    if not (alike and integers and outside and same_age):
        return None
    return tuple(r.channel for r in rules), first.low, first.high


class Assembler:
    """Keeps the newest frame of every group and makes readings of them.

    Parameters
    ----------
    binding : Binding
        What to listen for.

    Attributes
    ----------
    newest_s : float
        When the newest frame of the binding came. [s]
    """

    def __init__(self, binding: Binding) -> None:
        self.binding = binding
        self._groups = groups_of(binding)
        self._payload: list[bytes] = [b""] * len(self._groups)
        self._time_s: list[float] = [float("-inf")] * len(self._groups)
        self._direct: dict[int, int] = {}
        self._muxed: dict[int, list[tuple[list[tuple[Extract, int, frozenset[int]]], int]]] = {}
        for number, group in enumerate(self._groups):
            if group.condition:
                tests = [(extractor(bits), bits.size, ids) for bits, ids in group.condition]
                self._muxed.setdefault(group.key, []).append((tests, number))
            else:
                self._direct[group.key] = number
        self._rest = [[(s, extractor(s.bits)) for s in group.signals] for group in self._groups]
        self._missing = set(binding.complete)
        self.newest_s = float("-inf")
        self.fresh = False

    @property
    def keys(self) -> frozenset[int]:
        """Frame keys the binding reads, or counts as ends of a round."""
        return frozenset(group.key for group in self._groups) | self.binding.complete

    @property
    def complete(self) -> bool:
        """Whether every message that completes a round has come since the last reading."""
        return bool(self.binding.complete) and not self._missing

    def take(self, key: int, payload: bytes, time_s: float) -> None:
        """Take a frame: its key, its bytes, when it came. [s]"""
        number = self._direct.get(key)
        if number is not None:
            self._payload[number] = payload
            self._time_s[number] = time_s
        muxed = self._muxed.get(key)
        if muxed is not None:
            for tests, place in muxed:
                if all(len(payload) >= size and read(payload) in ids for read, size, ids in tests):
                    self._payload[place] = payload
                    self._time_s[place] = time_s
        elif number is None:
            self._missing.discard(key)
            return
        self.newest_s = time_s
        self.fresh = True
        if self._missing:
            self._missing.discard(key)

    def snapshot(self, now_s: float) -> tuple[dict[str, int], dict[str, str]]:
        """Decode what is not stale.

        Parameters
        ----------
        now_s : float
            Time now, on the clock of `take`. [s]

        Returns
        -------
        (dict, dict)
            Stored integers by channel, and reasons for refused values by channel.
        """
        values: dict[str, int] = {}
        rejected: dict[str, str] = {}
        self.fresh = False
        self._missing = set(self.binding.complete)
        for number, group in enumerate(self._groups):
            age_s = now_s - self._time_s[number]
            if age_s > group.stale_s:
                continue
            payload = self._payload[number]
            if group.unpack is not None and len(payload) >= group.size:
                raws = group.unpack(payload)
                if group.plain is not None:
                    names, low, high = group.plain
                    if low <= min(raws) and max(raws) <= high:
                        values.update(zip(names, raws, strict=True))  # type: ignore[arg-type]
                        continue
                for signal, raw in zip(group.signals, raws, strict=True):
                    if age_s <= signal.stale_s:
                        _put(signal, raw, values, rejected)
                continue
            for signal, extract in self._rest[number]:
                if len(payload) < signal.bits.size:
                    rejected[signal.rule.channel] = f"frame too short ({len(payload)} bytes)"
                elif age_s <= signal.stale_s:
                    _put(signal, extract(payload), values, rejected)
        return values, rejected


def _put(signal: BoundSignal, raw: float, values: dict[str, int], rejected: dict[str, str]) -> None:
    rule = signal.rule
    stored = rule(raw)
    if stored is None:
        return
    if isinstance(stored, str):
        rejected[rule.channel] = stored
    elif rule.kind == "bits":
        values[rule.channel] = values.get(rule.channel, 0) | stored
    else:
        values[rule.channel] = stored
