"""Files in and out of the record."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from logger.commands import options
from logger.commands.options import BANK_TOML, AsJson, ConfigFile


def add(app: typer.Typer) -> None:
    """Hang the commands onto the tree."""
    app.command("import")(bring_in)


def bring_in(
    file: Annotated[Path, typer.Argument(help="A CSV file with the catalogue's columns after `timestamp`.")],
    *,
    pack: Annotated[str | None, typer.Option("--pack", help="The pack it speaks about.")] = None,
    witness: Annotated[str | None, typer.Option("--witness", help="Or the witness it speaks about.")] = None,
    as_json: AsJson = False,
    config_file: ConfigFile = BANK_TOML,
) -> None:
    """Bring a CSV file into the record. The same file twice changes nothing."""
    from logger.bring_in import bring

    config = options.load(config_file)
    if (pack is None) == (witness is None):
        raise typer.BadParameter("say whose readings the file has: --pack NAME or --witness NAME")
    with options.record(config, "write") as store:
        outcome = bring(store, config, file, pack=pack, witness=witness)
    if as_json:
        options.print_json(outcome)
    else:
        for line in outcome.lines():
            print(line)
