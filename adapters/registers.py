"""Register maps: the model and the reader of the TOML described in MAPS.md, part 1."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from adapters.channels import Channel
from adapters.errors import MapError
from adapters.rule import Filled, Rule, channel_row, rule_from
from adapters.toml_file import Section, TomlFile
from adapters.words import READERS, WIDTH, ascii_text, reader

SHIPPED = Path(__file__).parent / "maps"
"""Folder of the maps that come with bankbook."""


@dataclass(frozen=True, slots=True)
class Item:
    """One value: where its registers are and what becomes of them.

    Attributes
    ----------
    function : {3, 4}
        Modbus function code.
    address : int
        First register as it goes on the wire.
    width : int
        Number of registers.
    read : callable
        Registers → raw number.
    rule : Rule
        Raw number → stored integer.
    every : int
        Read in every n-th round.
    """

    function: int
    address: int
    width: int
    read: Callable[[Sequence[int]], float]
    rule: Rule
    every: int = 1


@dataclass(frozen=True, slots=True)
class Identity:
    """A text read once on connecting."""

    name: str
    function: int
    address: int
    length: int
    swap: bool

    def text(self, registers: Sequence[int]) -> str:
        """Decode the registers."""
        return ascii_text(registers, swap=self.swap)


@dataclass(frozen=True, slots=True)
class Check:
    """A register that must hold something known if the map fits."""

    says: str
    function: int
    address: int
    width: int
    read: Callable[[Sequence[int]], float]
    low: float
    high: float
    among: frozenset[int] | None


@dataclass(frozen=True, slots=True)
class RegisterMap:
    """A checked register map."""

    name: str
    about: str
    source: str
    file: str
    items: tuple[Item, ...]
    identities: tuple[Identity, ...]
    checks: tuple[Check, ...]
    bridge: int = 0
    max_read: int = 125
    pause_s: float = 0.0

    @property
    def channels(self) -> tuple[str, ...]:
        """Channels that the map fills, in its order, each once."""
        return tuple(dict.fromkeys(item.rule.channel for item in self.items))

    @property
    def bit_names(self) -> dict[str, dict[int, str]]:
        """Names of warning and protection bits, by channel and bit."""
        names: dict[str, dict[int, str]] = {}
        for item in self.items:
            if item.rule.kind == "bits":
                names.setdefault(item.rule.channel, {}).update(item.rule.bits)
        return names


@dataclass(frozen=True, slots=True)
class _Wire:
    function: int
    first: int
    byte_order: str
    word_order: str


def find_map(name: str, folder: Path | None = None) -> Path:
    """Path of a map: a file beside the configuration, or a shipped one by its bare name.

    Parameters
    ----------
    name : str
        As the configuration says it: 'my-pack.toml', an absolute path, or the name of a shipped map.
    folder : Path or None
        Folder that relative paths start from.
    """
    if name.endswith(".toml"):
        return (folder or Path()) / name
    return SHIPPED / f"{name}.toml"


def load_map(path: Path) -> RegisterMap:
    """Read and check a register map.

    Raises
    ------
    MapError
        Naming file, line, key and remedy.
    """
    if path.parent == SHIPPED and not path.exists():
        shipped = ", ".join(sorted(p.stem for p in SHIPPED.glob("*.toml"))) or "none"
        raise MapError(
            f'map = "{path.stem}": no map of that name is shipped',
            f"shipped: {shipped}; a file ends in .toml",
        )
    return parse_map(TomlFile.load(path))


def parse_map(file: TomlFile) -> RegisterMap:
    """Check a parsed file and compile it. Raises MapError, see `load_map`."""
    file.only(("map", "wire", "register", "identity", "check"))
    head, wire = file.section("map"), file.section("wire")
    name, about, source = head.text("name"), head.text("about", ""), head.text("source")
    head.done()
    defaults = _Wire(
        function=wire.integer("function", 3, 4, 3),
        first=wire.integer("first", 0, 65536, 0),
        byte_order=wire.choice("byte_order", ("big", "little"), "big"),
        word_order=wire.choice("word_order", ("big", "little"), "big"),
    )
    bridge, max_read = wire.integer("bridge", 0, 120, 0), wire.integer("max_read", 1, 125, 125)
    pause_s = wire.integer("pause_ms", 0, 5000, 0) / 1000
    wire.done()
    items = _all_items(file, defaults, max_read)
    if not items:
        raise head.error(None, "the map names no register", "add at least one [[register]]")
    return RegisterMap(
        name=name,
        about=about,
        source=source,
        file=file.name,
        items=tuple(items),
        identities=tuple(_identity(section, defaults, max_read) for section in file.sections("identity")),
        checks=tuple(_check(section, defaults) for section in file.sections("check")),
        bridge=bridge,
        max_read=max_read,
        pause_s=pause_s,
    )


def _all_items(file: TomlFile, wire: _Wire, max_read: int) -> list[Item]:
    items: list[Item] = []
    filled = Filled()
    for section in file.sections("register"):
        for item in _items(section, wire, max_read):
            filled.claim(section, item.rule)
            items.append(item)
    return items


def _items(section: Section, wire: _Wire, max_read: int) -> list[Item]:
    count = section.integer("count", 1, 32, 1)
    row = channel_row(section, count)
    kind = section.choice("type", READERS)
    width = WIDTH[kind]
    if width > max_read:
        raise section.error("type", f"is longer than max_read = {max_read}", "raise max_read")
    stride = section.integer("stride", 0 if count == 1 else 1, 2000, width)
    if 0 < stride < width:
        raise section.error("stride", f"is less than the {width} registers of a value", "leave it out")
    function, read = _how(section, wire, kind)
    every = section.integer("every", 1, 3600, 1)
    start = _address(section, wire, width + stride * (count - 1))
    items = [
        Item(function, start + place * stride, width, read, _rule(section, channel, kind), every)
        for place, channel in enumerate(row)
    ]
    section.done()
    return items


def _rule(section: Section, channel: Channel, kind: str) -> Rule:
    width = 8 if kind[1] == "8" else 16 * WIDTH[kind]
    if kind == "f32" and channel.kind != "number":
        raise section.error("type", f"{channel.name} cannot come from a float", "use an integer type")
    if kind[0] == "s" and channel.kind == "bits":
        raise section.error("type", "a bit set has no sign", f'write type = "u{kind[1:]}"')
    return rule_from(section, channel, width=width)


def _how(section: Section, wire: _Wire, kind: str) -> tuple[int, Callable[[Sequence[int]], float]]:
    function = section.integer("function", 3, 4, wire.function)
    swap = section.choice("byte_order", ("big", "little"), wire.byte_order) == "little"
    low_first = section.choice("word_order", ("big", "little"), wire.word_order) == "little"
    return function, reader(kind, swap=swap, low_first=low_first)


def _address(section: Section, wire: _Wire, span: int) -> int:
    address = section.integer("address", 0, 131071) - wire.first
    if address < 0 or address + span > 65536:
        remedy = f"the list's first register is {wire.first}; the wire has registers 0 to 65535"
        end = f" to {address + span - 1}" if span > 1 else ""
        raise section.error("address", f"leads to register {address}{end} on the wire", remedy)
    return address


def _identity(section: Section, wire: _Wire, max_read: int) -> Identity:
    length = section.integer("length", 1, max_read)
    identity = Identity(
        name=section.text("name"),
        function=section.integer("function", 3, 4, wire.function),
        address=_address(section, wire, length),
        length=length,
        swap=section.choice("byte_order", ("big", "little"), wire.byte_order) == "little",
    )
    section.done()
    return identity


def _check(section: Section, wire: _Wire) -> Check:
    says = section.text("says")
    kind = section.choice("type", READERS)
    function, read = _how(section, wire, kind)
    among, between = section.integers("equals"), section.integers("between")
    if (among is None) == (between is None) or (between is not None and len(between) != 2):
        raise section.error(
            "equals", "one of equals and between is needed", "equals = [16], or between = [15, 16]"
        )
    low, high = (between[0], between[1]) if between is not None else (0, 0)
    if low > high:
        raise section.error("between", "nothing lies between them", "write the lower one first")
    address = _address(section, wire, WIDTH[kind])
    section.done()
    return Check(
        says, function, address, WIDTH[kind], read, low, high, None if among is None else frozenset(among)
    )
