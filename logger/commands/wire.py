"""Looking at wires, and keeping what comes over them as it is."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from logger.commands import options
from logger.commands.options import BANK_TOML, AsJson, ConfigFile
from logger.exits import Exit


def add(app: typer.Typer) -> None:
    """Hang the commands onto the tree."""
    app.command()(probe)
    app.command("record-raw")(record_raw)


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
    save: Annotated[
        Path | None,
        typer.Option("--save", help="Folder for the drafts of maps and bindings.", file_okay=False),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Look what is on a wire, with harmless reads; propose a source.

    Alone: all wires here. What it prints goes into bank.toml.
    """
    from logger.commissioning.probe import Wires, lines, look, save_drafts, usual_wires

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
    if save is not None:
        for path in save_drafts(looked, save):
            print(f"wrote {path}", file=sys.stderr)
    if as_json:
        options.print_json(looked)
    elif looked:
        print("\n".join(lines(looked)))
    else:
        print("no serial adapter and no CAN interface is plugged in; name a wire: --serial, --tcp or --can")
    if not any(one.found for one in looked):
        sys.exit(Exit.NOT_WELL)


def record_raw(
    file: Annotated[
        Path, typer.Argument(help="The file to write: .log for CAN, .reg for Modbus; not there yet.")
    ],
    *,
    source: Annotated[
        str | None, typer.Option("--source", help="Name of the source; may be left out if there is one.")
    ] = None,
    seconds: Annotated[float, typer.Option("--seconds", min=1, help="How long, at most. [s]")] = 60.0,
    megabytes: Annotated[
        float, typer.Option("--megabytes", min=0.01, help="How large, at most. [MB]")
    ] = 50.0,
    as_json: AsJson = False,
    config_file: ConfigFile = BANK_TOML,
) -> None:
    """Record CAN frames or answers to register reads as they come.

    To import or to look at later.
    """
    import asyncio

    from adapters.configs import CanConfig, ModbusRtuConfig, ModbusTcpConfig
    from adapters.record_raw import record_can, record_registers

    config = options.load(config_file)
    if file.suffix not in {".log", ".reg"}:
        raise typer.BadParameter("FILE ends in .log for CAN frames, in .reg for Modbus registers")
    there = [
        s
        for s in config.sources()
        if isinstance(s, CanConfig if file.suffix == ".log" else ModbusTcpConfig | ModbusRtuConfig)
    ]
    chosen = [s for s in there if source in {None, s.name}]
    if len(chosen) != 1:
        what = "CAN source" if file.suffix == ".log" else "source with a register map"
        names = ", ".join(s.name for s in there) or "none"
        raise typer.BadParameter(f"name one {what} of {config_file} ({names})", param_hint="--source")
    one, most = chosen[0], round(megabytes * 1e6)
    if isinstance(one, ModbusTcpConfig | ModbusRtuConfig):
        done = asyncio.run(record_registers(one, file, seconds=seconds, most_bytes=most))
        what, lost = "reads", "reads were not answered; the file says why"
    elif isinstance(one, CanConfig):
        done = asyncio.run(record_can(one, file, seconds=seconds, most_bytes=most))
        what, lost = "frames", "frames came faster than they could be written"
    if as_json:
        options.print_json(done)
    else:
        print(f"{file}: {done.frames:,} {what}, {done.bytes / 1e6:.1f} MB; ended {done.ended}")
        if done.dropped:
            print(f"  {done.dropped:,} {lost}")
    if done.frames == 0:
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
