"""Reports: the week."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Annotated

import typer

from logger.commands import options
from logger.commands.options import BANK_TOML, AsJson, ConfigFile


def add(app: typer.Typer) -> None:
    """Hang the commands onto the tree."""
    app.command()(week)


def week(
    day: Annotated[
        str | None, typer.Argument(help="Any day of the week wanted; the last whole week if left out.")
    ] = None,
    *,
    to: Annotated[Path | None, typer.Option("--to", help="Folder; [report] folder if left out.")] = None,
    as_json: AsJson = False,
    config_file: ConfigFile = BANK_TOML,
) -> None:
    """Write the report of one local week: HTML, PDF and JSON."""
    from logger.histories import last_whole_week
    from logger.week import write_week

    config = options.load(config_file)
    wanted = options.day(day, "DAY") or last_whole_week(config, time.time())
    with options.record(config, "keep") as store:
        pages = write_week(store, config, wanted, to)
    if as_json:
        options.print_json([str(page) for page in pages])
    else:
        for page in pages:
            print(page)
