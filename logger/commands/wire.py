"""Looking at wires."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from logger.commands import options
from logger.commands.options import AsJson
from logger.exits import Exit


def add(app: typer.Typer) -> None:
    """Hang the commands onto the tree."""
    app.command()(probe)


def probe(
    *,
    serial: Annotated[
        list[str] | None, typer.Option("--serial", help="A serial port, for Modbus RTU.")
    ] = None,
    tcp: Annotated[list[str] | None, typer.Option("--tcp", help="HOST or HOST:PORT, for Modbus TCP.")] = None,
    can: Annotated[
        list[str] | None,
        typer.Option("--can", help="INTERFACE:CHANNEL or INTERFACE:CHANNEL:PORT, as socketcan:can0."),
    ] = None,
    maps: Annotated[
        list[Path] | None,
        typer.Option("--map", help="A register map to try, besides those that ship.", exists=True),
    ] = None,
    seconds: Annotated[
        float, typer.Option("--seconds", min=1, help="How long to listen to a bus. [s]")
    ] = 5.0,
    as_json: AsJson = False,
) -> None:
    """Look what is on a wire, with harmless reads, and propose its [[source]]. Alone: all wires here."""
    from logger.probe import Wires, lines, look, usual_wires

    wires = Wires(
        tuple(serial or ()),
        tuple(map(_tcp, tcp or ())),
        tuple(map(_can, can or ())),
        tuple(maps or ()),
        seconds,
    )
    if not (wires.serial or wires.tcp or wires.can):
        usual = usual_wires()
        wires = Wires(usual.serial, (), usual.can, wires.maps, seconds)
    looked = look(wires, lambda line: print(f"… {line}", file=sys.stderr))
    if as_json:
        options.print_json(looked)
    elif looked:
        print("\n".join(lines(looked)))
    else:
        print("no serial adapter and no CAN interface is plugged in; name a wire: --serial, --tcp or --can")
    if not any(one.found for one in looked):
        sys.exit(Exit.NOT_WELL)


def _tcp(text: str) -> tuple[str, int]:
    host, colon, port = text.rpartition(":") if text.count(":") == 1 else (text, "", "502")
    if colon and not port.isdigit():
        raise typer.BadParameter(f"{text!r}: the port after the colon is no number", param_hint="--tcp")
    return host, int(port)


def _can(text: str) -> tuple[str, str, int]:
    parts = text.split(":")
    if len(parts) not in {2, 3} or (len(parts) == 3 and not parts[2].isdigit()):
        raise typer.BadParameter(
            f"{text!r} is not INTERFACE:CHANNEL, as in socketcan:can0", param_hint="--can"
        )
    return parts[0], parts[1], int(parts[2]) if len(parts) == 3 else 0
