"""CAN bindings: which signals of a frame database are which channels. Format: MAPS.md, part 2."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from adapters.channels import Channel
from adapters.errors import MapError
from adapters.gate import RequestFrame
from adapters.registers import SHIPPED
from adapters.rule import Filled, Rule, channel_row, rule_from
from adapters.toml_file import Section, TomlFile
from adapters.units import TO_CANONICAL

EXTENDED = 1 << 31
"""Marks a 29-bit identifier in a frame's key, as DBC files do."""

_SPELLINGS = {
    "degC": "°C",
    "deg C": "°C",
    "Celsius": "°C",
    "Volt": "V",
    "Ampere": "A",
    "degF": "°F",
    "ohm": "Ω",
}
_RUNNING = re.compile(r"\{(n{1,3})\}")
Condition = tuple[tuple["Bits", frozenset[int]], ...]


@dataclass(frozen=True, slots=True)
class Bits:
    """Where a signal lies in the payload: value = int(payload) >> shift & mask.

    Attributes
    ----------
    little : bool
        Whether the payload is read with its first byte as the lowest.
    shift, length : int
        Bits below the signal in that reading, and bits of the signal. For big-endian signals the shift counts
        from the end of a payload of `size` bytes.
    size : int
        Bytes the payload must have at least. [bytes]
    signed : bool
    form : {"", ">f", ">d"}
        Format if the bits are a float.
    """

    little: bool
    shift: int
    length: int
    size: int
    signed: bool = False
    form: str = ""


@dataclass(frozen=True, slots=True)
class BoundSignal:
    """One signal and what becomes of it."""

    key: int
    message: str
    bits: Bits
    condition: Condition
    rule: Rule
    stale_s: float


@dataclass(frozen=True, slots=True)
class FrameText:
    """A text that the pack says about itself in one or more frames, eight characters each at most."""

    name: str
    keys: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Binding:
    """A checked binding.

    Attributes
    ----------
    signals : tuple of BoundSignal
        Every value, in the binding's order.
    complete : frozenset of int
        Keys of the frames that complete a round.
    requests : tuple of RequestFrame
        What the pack wants to be asked with.
    identities : tuple of FrameText
        What the pack says about itself.
    """

    name: str
    about: str
    source: str
    file: str
    signals: tuple[BoundSignal, ...]
    complete: frozenset[int] = frozenset()
    requests: tuple[RequestFrame, ...] = ()
    identities: tuple[FrameText, ...] = ()

    @property
    def channels(self) -> tuple[str, ...]:
        """Channels that the binding fills, each once."""
        return tuple(dict.fromkeys(signal.rule.channel for signal in self.signals))

    @property
    def bit_names(self) -> dict[str, dict[int, str]]:
        """Names of warning and protection bits, by channel and bit."""
        names: dict[str, dict[int, str]] = {}
        for signal in self.signals:
            if signal.rule.kind == "bits":
                names.setdefault(signal.rule.channel, {}).update(signal.rule.bits)
        return names


def find_binding(binding: str, database: str | None, folder: Path | None) -> tuple[Path, Path]:
    """Paths of a binding and its database; a shipped binding has its database beside it.

    Raises
    ------
    MapError
        If a binding of one's own comes without a database, or nothing of that name is shipped.
    """
    if binding.endswith(".toml"):
        if database is None:
            raise MapError(f'binding "{binding}": no database', 'add database = "….dbc" to the source')
        return (folder or Path()) / binding, (folder or Path()) / database
    path = SHIPPED / f"{binding}.toml"
    beside = (folder or Path()) / database if database is not None else path.with_suffix(".dbc")
    if not path.exists():
        shipped = ", ".join(sorted(p.stem for p in SHIPPED.glob("*.dbc"))) or "none"
        raise MapError(
            f'binding = "{binding}": none of that name is shipped',
            f"shipped: {shipped}; a file ends in .toml",
        )
    return path, beside


def load_binding(binding: Path, database: Path, stale_s: float = 5.0) -> Binding:
    """Read a binding and its database, and check one against the other.

    Raises
    ------
    MapError
        Naming file, line, key and remedy.
    """
    return parse_binding(TomlFile.load(binding), load_database(database), stale_s)


def load_database(path: Path) -> Any:
    """Read a DBC or KCD file with cantools.

    Raises
    ------
    MapError
        If it cannot be read.
    """
    import cantools

    if path.suffix.lower() not in {".dbc", ".kcd"}:
        raise MapError(f"{path}: neither DBC nor KCD", "name a .dbc or .kcd file")
    try:
        return cantools.database.load_file(str(path), strict=False)
    except FileNotFoundError as exc:
        raise MapError(f"{path}: there is no such file", "check database in bank.toml") from exc
    except OSError as exc:
        raise MapError(f"{path}: cannot be read: {exc.strerror}", "check the file's owner and mode") from exc
    except Exception as exc:
        # The parsers behind cantools raise errors of many kinds on a damaged file; all mean the same.
        first = str(exc).splitlines()[0] if str(exc) else type(exc).__name__
        raise MapError(
            f"{path}: not a valid {path.suffix[1:].upper()} file: {first}", "export it again"
        ) from exc


def parse_binding(file: TomlFile, database: Any, stale_s: float = 5.0) -> Binding:
    """Check a parsed binding against its database and compile it. Raises MapError, see `load_binding`."""
    file.only(("binding", "signal", "request", "identity"))
    head = file.section("binding")
    name, about, source = head.text("name"), head.text("about", ""), head.text("source")
    stale_s = head.number("stale_s", stale_s, 0.1, 3600)
    complete = frozenset(_message_keys(head, database, "complete"))
    head.done()
    signals: list[BoundSignal] = []
    filled = Filled()
    for section in file.sections("signal"):
        for signal in _signals(section, database, stale_s):
            filled.claim(section, signal.rule)
            signals.append(signal)
    if not signals:
        raise head.error(None, "the binding names no signal", "add at least one [[signal]]")
    requests = tuple(_request(section) for section in file.sections("request"))
    identities = tuple(_identity(section, database) for section in file.sections("identity"))
    return Binding(name, about, source, file.name, tuple(signals), complete, requests, identities)


def _message_keys(section: Section, database: Any, what: str) -> list[int]:
    by_name = {m.name: frame_key(m.frame_id, extended=m.is_extended_frame) for m in database.messages}
    names = section.texts(what)
    for name in names:
        if name not in by_name:
            known = ", ".join(sorted(by_name)[:12])
            raise section.error(what, f'the database has no message "{name}"', f"it has: {known}")
    return [by_name[name] for name in names]


def _identity(section: Section, database: Any) -> FrameText:
    name, keys = section.text("name"), _message_keys(section, database, "messages")
    if not keys:
        raise section.error("messages", "names no message", 'write messages = ["SerialNumber"]')
    section.done()
    return FrameText(name, tuple(keys))


def frame_key(can_id: int, *, extended: bool) -> int:
    """Key of a frame: its identifier, marked if it has 29 bits."""
    return can_id | EXTENDED if extended else can_id


def _signals(section: Section, database: Any, stale_s: float) -> list[BoundSignal]:
    count = section.integer("count", 1, 32, 1)
    row = channel_row(section, count)
    pattern = section.text("signal")
    first = section.integer("first", 0, 999, _number_in(row[0].name))
    own_stale_s = section.number("stale_s", stale_s, 0.1, 3600)
    if count > 1 and not _RUNNING.search(pattern):
        raise section.error("signal", "a row needs a running number", "put {n} or {nn} where it stands")
    bound = []
    for place, channel in enumerate(row):
        name = _numbered(pattern, first + place)
        message, signal = _find(section, database, name)
        bound.append(_bind(section, message, signal, channel, own_stale_s))
    section.done()
    return bound


def _numbered(pattern: str, number: int) -> str:
    return _RUNNING.sub(lambda match: f"{number:0{len(match[1])}d}", pattern)


def _number_in(channel: str) -> int:
    digits = "".join(letter for letter in channel if letter.isdigit())
    return int(digits) if digits else 1


def _find(section: Section, database: Any, name: str) -> tuple[Any, Any]:
    message_name, _, signal_name = name.rpartition(".")
    hits = [
        (message, signal)
        for message in database.messages
        if not message_name or message.name == message_name
        for signal in message.signals
        if signal.name == signal_name
    ]
    if len(hits) == 1:
        return hits[0]
    if hits:
        where = ", ".join(f"{message.name}.{signal_name}" for message, _ in hits)
        raise section.error("signal", f'"{name}" stands in several messages', f"write one of: {where}")
    names = sorted({signal.name for message in database.messages for signal in message.signals})
    raise section.error("signal", f'the database has no signal "{name}"', _near(signal_name, names))


def _near(name: str, names: Sequence[str]) -> str:
    import difflib

    close = difflib.get_close_matches(name, names, n=3)
    return f"did you mean {' or '.join(close)}?" if close else "it has: " + ", ".join(names[:12])


def _refuse_odd(section: Section, message: Any, signal: Any) -> None:
    """Refuse a signal that no frame can hold; databases are not always checked by who writes them."""
    lengths = (16, 32, 64) if signal.is_float else range(1, 65)
    kind = "a float has 16, 32 or 64" if signal.is_float else "a signal has 1 to 64"
    if signal.length not in lengths:
        what = f"{signal.name} has {signal.length} bits in the database; {kind}"
        raise section.error("signal", what, "mend the database")
    if not 0 <= signal.start < 512 or bits_of(signal).size > 64:
        what = f"{signal.name} lies outside its frame {message.name} in the database"
        raise section.error("signal", what, "mend the database")


def _bind(section: Section, message: Any, signal: Any, channel: Channel, stale_s: float) -> BoundSignal:
    _refuse_odd(section, message, signal)
    conversion = signal.conversion
    scale, offset = getattr(conversion, "scale", 1) or 1, getattr(conversion, "offset", 0) or 0
    rule = rule_from(
        section,
        channel,
        scale=scale if channel.kind == "number" else 1,
        offset=offset if channel.kind == "number" else 0,
        unit=_unit(signal.unit),
        width=signal.length,
    )
    if signal.is_float and channel.kind != "number":
        raise section.error("signal", f"{channel.name} cannot come from a float", "bind an integer signal")
    if signal.is_float:
        rule = replace(rule, absent=frozenset())
    bits = bits_of(signal)
    return BoundSignal(
        key=frame_key(message.frame_id, extended=message.is_extended_frame),
        message=message.name,
        bits=bits if rule.kind != "bits" else replace(bits, signed=False),
        condition=_condition(section, message, signal),
        rule=rule,
        stale_s=stale_s,
    )


def _unit(unit: str | None) -> str | None:
    if unit is None:
        return None
    word = _SPELLINGS.get(unit.strip(), unit.strip())
    return word if word and word in TO_CANONICAL else None


def bits_of(signal: Any) -> Bits:
    """Where a cantools signal lies.

    A big-endian signal starts at its most significant bit, counted in the DBC manner: bit 7 of byte 0 is 7,
    bit 0 of byte 0 is 0, bit 7 of byte 1 is 15.
    """
    form = {16: ">e", 32: ">f", 64: ">d"}[signal.length] if signal.is_float else ""
    if signal.byte_order == "little_endian":
        size = (signal.start + signal.length + 7) // 8
        return Bits(
            little=True,
            shift=signal.start,
            length=signal.length,
            size=size,
            signed=signal.is_signed,
            form=form,
        )
    first = 8 * (signal.start // 8) + 7 - signal.start % 8
    size = (first + signal.length + 7) // 8
    shift = 8 * size - first - signal.length
    return Bits(
        little=False, shift=shift, length=signal.length, size=size, signed=signal.is_signed, form=form
    )


def _condition(section: Section, message: Any, signal: Any) -> Condition:
    """What the multiplexer signals must read for this signal to be in a frame."""
    conditions: list[tuple[Bits, frozenset[int]]] = []
    by_name = {other.name: other for other in message.signals}
    while signal.multiplexer_ids is not None:
        above = by_name.pop(signal.multiplexer_signal, None)
        if above is None:
            what = f"the multiplexer of {signal.name} is missing in {message.name}, or goes in a circle"
            raise section.error("signal", what, "mend the database")
        _refuse_odd(section, message, above)
        conditions.append((bits_of(above), frozenset(signal.multiplexer_ids)))
        signal = above
    return tuple(reversed(conditions))


def _request(section: Section) -> RequestFrame:
    extended = section.flag("extended")
    can_id = section.integer("id", 0, 0x1FFFFFFF if extended else 0x7FF)
    words = section.text("data", "")
    try:
        payload = bytes.fromhex(words)
    except ValueError as exc:
        raise section.error("data", "is not a row of bytes", 'write "00 1F"') from exc
    if len(payload) > 8:
        raise section.error("data", "has more than 8 bytes", "shorten it")
    every_s = section.number("every_s", 1.0, 0.1, 3600)
    section.done()
    return RequestFrame(can_id, extended, payload, every_s)


def wanted_keys(bindings: Iterable[Binding]) -> frozenset[int]:
    """Keys of every frame the bindings read."""
    return frozenset(signal.key for binding in bindings for signal in binding.signals)
