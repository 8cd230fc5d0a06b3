"""A binding compiled for speed: frames are kept as they come, and decoded once, when a reading is made.

Of a frame that repeats many times within one period only the last is decoded. All signals of a frame come
out of one `struct` call if they are whole bytes, else out of one integer by shift and mask; a value whose
conversion is a whole-number line needs no more than a multiplication and a comparison.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from adapters.binding import Binding, Bits, BoundSignal, Condition
from adapters.rule import Rule

Extract = Callable[[bytes], float]
Unpack = Callable[[bytes], Sequence[float]]


@dataclass(frozen=True, slots=True)
class Quick:
    """A conversion without special cases: stored = raw × gain + shift if that lies within the limits."""

    channel: str
    gain: int
    shift: int
    low: int
    high: int
    absent: frozenset[int]
    rule: Rule


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
        The signals, in the order of `unpack`.
    unpack : callable or None
        Payload → raw values of all signals; None if they have to be taken one by one.
    size : int
        Bytes that `unpack` needs. [bytes]
    quick : tuple of Quick or None
        Conversions, if all are quick and of the same age.
    plain : tuple or None
        (channels, low, high) if stored = raw for all.
    stale_s : float
        Longest life of a value. [s]
    """

    key: int
    condition: Condition
    signals: tuple[BoundSignal, ...]
    unpack: Unpack | None
    size: int
    quick: tuple[Quick, ...] | None
    plain: tuple[tuple[str, ...], int, int] | None
    stale_s: float


def extractor(bits: Bits) -> Extract:
    """Return the function payload → raw value. The payload must have at least `bits.size` bytes.

    >>> from adapters.binding import Bits
    >>> extractor(Bits(little=True, shift=4, length=8, size=2))(bytes([0xF0, 0x0A]))
    175
    """
    shift, mask, size = bits.shift, (1 << bits.length) - 1, bits.size
    sign = 1 << (bits.length - 1) if bits.signed else 0
    form, width = bits.form, bits.length // 8
    order = "little" if bits.little else "big"
    if bits.little and not shift and not sign and not form and bits.length == 8:
        return lambda payload: payload[0]

    def extract(payload: bytes) -> float:
        raw = int.from_bytes(payload[:size], order) >> shift & mask  # type: ignore[arg-type] # one of two words
        if form:
            number: float = struct.unpack(form, raw.to_bytes(width, "big"))[0]
            return number
        return (raw ^ sign) - sign

    return extract


def groups_of(binding: Binding) -> tuple[Group, ...]:
    """Group the signals of a binding by frame and multiplexer state."""
    together: dict[tuple[int, Condition], list[BoundSignal]] = {}
    feeds: dict[str, int] = {}
    for signal in binding.signals:
        together.setdefault((signal.key, signal.condition), []).append(signal)
        feeds[signal.rule.channel] = feeds.get(signal.rule.channel, 0) + 1
    shared = {channel for channel, count in feeds.items() if count > 1}
    return tuple(_group(key, condition, signals, shared) for (key, condition), signals in together.items())


def _group(key: int, condition: Condition, signals: Sequence[BoundSignal], shared: set[str]) -> Group:
    ordered = tuple(sorted(signals, key=lambda s: _first_byte(s.bits)))
    row = [s.bits for s in ordered]
    form = _struct_form(row)
    unpack: Unpack | None
    if form is not None:
        compiled = struct.Struct(form)
        unpack, size = compiled.unpack_from, compiled.size
    else:
        unpack, size = _bit_unpacker(row), max(bits.size for bits in row)
    one_age = len({s.stale_s for s in ordered}) == 1
    quick = tuple(_quick(s) for s in ordered)
    usable = unpack is not None and one_age and not any(q is None or q.channel in shared for q in quick)
    chosen = tuple(q for q in quick if q is not None) if usable else None
    stale_s = max(s.stale_s for s in ordered)
    return Group(key, condition, ordered, unpack, size, chosen, _plain(chosen), stale_s)


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


def _bit_unpacker(row: Sequence[Bits]) -> Unpack | None:
    """Take signals of one byte order out of one integer; None if they differ or one is a float."""
    little = row[0].little
    if any(bits.form or bits.little != little for bits in row):
        return None
    size, order = max(bits.size for bits in row), "little" if little else "big"
    cuts = tuple(
        (
            bits.shift if little else bits.shift + 8 * (size - bits.size),
            (1 << bits.length) - 1,
            1 << (bits.length - 1) if bits.signed else 0,
        )
        for bits in row
    )

    def unpack(payload: bytes) -> list[float]:
        word = int.from_bytes(payload[:size], order)  # type: ignore[arg-type] # one of two words
        return [((word >> shift & mask) ^ sign) - sign for shift, mask, sign in cuts]

    return unpack


def _quick(signal: BoundSignal) -> Quick | None:
    rule = signal.rule
    if signal.bits.form:
        return None
    if rule.kind == "number" and rule.gain.is_integer() and rule.shift_by.is_integer():
        return Quick(rule.channel, int(rule.gain), int(rule.shift_by), rule.low, rule.high, rule.absent, rule)
    if rule.kind == "bits" and rule.cases is None:
        return Quick(rule.channel, 1 << rule.shift, 0, 0, rule.high, rule.absent, rule)
    simple = rule.bit is None and rule.on is None and rule.off is None and not rule.invert
    if rule.kind == "flag" and simple:  # 0 and 1 read as they are; any other value goes the long way
        return Quick(rule.channel, 1, 0, 0, 1, rule.absent, rule)
    return None


def _plain(quick: Sequence[Quick] | None) -> tuple[tuple[str, ...], int, int] | None:
    if quick is None:
        return None
    low, high = quick[0].low, quick[0].high
    alike = all((q.gain, q.shift, q.low, q.high) == (1, 0, low, high) for q in quick)
    if not alike or any(low <= raw <= high for q in quick for raw in q.absent):
        return None
    return tuple(q.channel for q in quick), low, high


def decode_group(
    group: Group, payload: bytes, age_s: float, values: dict[str, int], rejected: dict[str, str]
) -> None:
    """Decode one frame of a group into channels.

    Parameters
    ----------
    group : Group
        Which signals.
    payload : bytes
        The frame.
    age_s : float
        Its age. [s]
    values, rejected : dict
        Filled: stored integers, and reasons for refused values.
    """
    if group.unpack is None or len(payload) < group.size:
        for signal in group.signals:
            if len(payload) < signal.bits.size:
                rejected[signal.rule.channel] = f"frame too short ({len(payload)} bytes)"
            elif age_s <= signal.stale_s:
                signal.rule.put(extractor(signal.bits)(payload), values, rejected)
        return
    raws = group.unpack(payload)
    if group.plain is not None:
        names, low, high = group.plain
        if low <= min(raws) and max(raws) <= high:
            values.update(zip(names, raws, strict=True))  # type: ignore[arg-type] # quick: integers only
            return
    if group.quick is not None:
        for quick, raw in zip(group.quick, raws, strict=True):
            stored = raw * quick.gain + quick.shift
            if quick.low <= stored <= quick.high and raw not in quick.absent:
                values[quick.channel] = stored  # type: ignore[assignment] # quick: integers only
            else:
                quick.rule.put(raw, values, rejected)
        return
    for signal, raw in zip(group.signals, raws, strict=True):
        if age_s <= signal.stale_s:
            signal.rule.put(raw, values, rejected)
