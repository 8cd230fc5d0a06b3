"""`bankbook probe`: which wires to look at, and what was found, for a person, a script, and `setup`."""

from __future__ import annotations

import asyncio
import glob
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from adapters.errors import SourceError, StoreFull

if TYPE_CHECKING:
    from adapters.found import Found

STEM = "my-pack"
"""File name of a draft, without its ending."""
SERIAL_PLACES = ("/dev/serial/by-id/*", "/dev/bankbook-*", "/dev/ttyUSB*", "/dev/ttyACM*")
"""Where serial adapters are, the stable names first."""


@dataclass(frozen=True, slots=True)
class Wires:
    """What to look at.

    Attributes
    ----------
    serial : tuple of str
        Serial ports for Modbus RTU.
    tcp : tuple of (str, int)
        Addresses for Modbus TCP.
    can : tuple of (str, str, int)
        Interface, channel and port for CAN.
    maps : tuple of Path
        Register maps to try besides the shipped ones.
    seconds : float
        How long to listen to a CAN bus. [s]
    """

    serial: tuple[str, ...] = ()
    tcp: tuple[tuple[str, int], ...] = ()
    can: tuple[tuple[str, str, int], ...] = ()
    maps: tuple[Path, ...] = ()
    seconds: float = 5.0


@dataclass(frozen=True, slots=True)
class Looked:
    """What came of one wire: what was found on it, or why it could not be looked at."""

    wire: str
    found: tuple[Found, ...] = ()
    trouble: str = ""


def usual_wires(system: Path = Path("/sys/class/net")) -> Wires:
    """Return the wires of this machine that can be seen from here: serial adapters, CAN interfaces."""
    serial: dict[str, str] = {}
    for pattern in SERIAL_PLACES:
        for name in sorted(glob.glob(pattern)):  # noqa: PTH207 - the patterns are absolute
            serial.setdefault(str(Path(name).resolve()), name)
    can = sorted(
        p.name
        for p in system.glob("*can*")
        if (p / "type").exists() and (p / "type").read_text().strip() == "280"
    )
    return Wires(serial=tuple(serial.values()), can=tuple(("socketcan", name, 0) for name in can))


def look(wires: Wires, say: Callable[[str], None]) -> list[Looked]:
    """Look at every wire in turn. Only reads; a wire that cannot be opened is told and passed over."""
    return named([_one(name, work, say) for name, work in _work(wires, say)])


def named(looked: list[Looked]) -> list[Looked]:
    """Give every draft that differs from the others a file name of its own, also in its proposed source."""
    stems: dict[tuple[str, str], str] = {}
    out = []
    for wire in looked:
        found = []
        for one in wire.found:
            if one.draft:
                number = len(stems) + 1
                stem = stems.setdefault((one.draft, one.database), f"{STEM}-{number}" if number > 1 else STEM)
                one = replace(one, source=one.source.replace(f'"{STEM}.', f'"{stem}.'))  # noqa: PLW2901 - the same, renamed
            found.append(one)
        out.append(replace(wire, found=tuple(found)))
    return out


def proposals(looked: list[Looked]) -> list[dict[str, Any]]:
    """Return the proposed [[source]] tables, the surest first."""
    texts = [found.source for wire in looked for found in wire.found if found.source]
    return [table for text in texts for table in tomllib.loads(text).get("source", ())]


def save_drafts(looked: list[Looked], folder: Path) -> list[Path]:
    """Write the drafts of maps, bindings and frames; nothing that is there is overwritten.

    Raises
    ------
    StoreFull
        If the folder cannot be written.
    """
    drafts = dict.fromkeys((f.draft, f.database) for wire in looked for f in wire.found if f.draft)
    written: list[Path] = []
    for number, (draft, database) in enumerate(drafts, 1):
        stem = STEM if number == 1 else f"{STEM}-{number}"
        for ending, text in ((".toml", draft), (".dbc", database)):
            path = folder / f"{stem}{ending}"
            if text and not path.exists():
                try:
                    folder.mkdir(parents=True, exist_ok=True)
                    path.write_text(text, encoding="utf-8")
                except OSError as exc:
                    raise StoreFull(
                        f"{path}: cannot be written ({exc.strerror})", "choose another --save"
                    ) from exc
                written.append(path)
    return written


def lines(looked: list[Looked]) -> list[str]:
    """Say it in words."""
    out: list[str] = []
    for wire in looked:
        out.append(wire.wire)
        if wire.trouble:
            out.append(f"  cannot be looked at: {wire.trouble}")
        elif not wire.found:
            out.append("  nothing answers")
        telling = [f for f in wire.found if f.evidence or f.source]
        mute = [f for f in wire.found if f not in telling]
        for found in (*telling, *mute[:1]):
            out += [f"  {found.what}"]
            out += [f"    + {text}" for text in found.evidence]
            out += [f"    ? {text}" for text in found.doubts]
            for title, text in (
                ("for bank.toml", found.source),
                ("a beginning of its map or binding", found.draft),
                ("its frames", found.database),
            ):
                if text:
                    out += [f"    {title}:", *(f"      {line}" for line in text.rstrip().splitlines())]
        out += [f"  and {len(mute) - 1} more like the last"] * (len(mute) > 1) + [""]
    return out


def _work(wires: Wires, say: Callable[[str], None]) -> Iterator[tuple[str, Callable[[], Any]]]:
    from adapters.probe_can import probe_can
    from adapters.probe_modbus import probe_serial, probe_tcp

    for device in wires.serial:
        yield f"serial {device}", partial(probe_serial, device, maps=wires.maps, progress=say)
    for host, number in wires.tcp:
        yield f"tcp {host}:{number}", partial(probe_tcp, host, number, maps=wires.maps)
    for interface, channel, port in wires.can:
        listen = partial(probe_can, interface, channel, port=port, seconds=wires.seconds, progress=say)
        yield f"can {interface} {channel}", listen


def _one(name: str, work: Callable[[], Any], say: Callable[[str], None]) -> Looked:
    say(name)
    try:
        return Looked(name, tuple(asyncio.run(work())))
    except SourceError as exc:
        return Looked(name, trouble=str(exc))
