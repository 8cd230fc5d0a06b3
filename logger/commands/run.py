"""Logging, and watching the log live."""

from __future__ import annotations

from typing import Annotated

import typer

from logger.commands import options
from logger.commands.options import BANK_TOML, AsJson, ConfigFile


def add(app: typer.Typer) -> None:
    """Hang the commands onto the tree."""
    app.command("log")(record_now)
    app.command()(now)


def record_now(
    *,
    seconds: Annotated[
        float | None, typer.Option("--seconds", min=1, help="Stop by itself after so long. [s]")
    ] = None,
    keep_trying: Annotated[
        bool, typer.Option("--keep-trying", help="Go on although no source has ever answered.")
    ] = False,
    verbose: Annotated[bool, typer.Option("--verbose", "-v", help="Say more.")] = False,
    config_file: ConfigFile = BANK_TOML,
) -> None:
    """Log all sources into the record until stopped (Ctrl-C)."""
    from logger.recording.service import run

    run(options.load(config_file), seconds=seconds, keep_trying=keep_trying, verbose=verbose)


def now(
    *,
    once: Annotated[bool, typer.Option("--once", help="Draw once and stop.")] = False,
    seconds: Annotated[
        float | None, typer.Option("--seconds", min=1, help="Stop by itself after so long. [s]")
    ] = None,
    as_json: AsJson = False,
    config_file: ConfigFile = BANK_TOML,
) -> None:
    """Show the packs live: cells, temperatures, current, limits.

    Cells in order, and how old each value is.
    """
    from logger.live import latest_json, look, show

    config = options.load(config_file)
    with options.record(config) as store:
        if as_json:
            options.print_json(latest_json(store, config))
        elif once:
            show(store, config)
        else:
            look(store, config, seconds=seconds)
