"""The record itself: sealing, verifying, and how it is doing."""

from __future__ import annotations

import sys
import time
from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from logger.commands import options
from logger.commands.options import BANK_TOML, AsJson, ConfigFile
from logger.exits import Exit


def add(app: typer.Typer) -> None:
    """Hang the commands onto the tree."""
    app.command()(seal)
    app.command()(verify)
    app.command()(status)


def seal(*, as_json: AsJson = False, config_file: ConfigFile = BANK_TOML) -> None:
    """Seal every complete day that is not sealed yet."""
    config = options.load(config_file)
    with options.record(config, "write") as store:
        sealed = store.seal_due(time.time_ns() // 1_000_000)
    if as_json:
        options.print_json(sealed)
    else:
        print(
            f"sealed {len(sealed)} day{'s' * (len(sealed) != 1)}"
            if sealed
            else "nothing to seal: all complete days are sealed"
        )


def verify(
    archive: Annotated[
        Path | None,
        typer.Argument(help="A claim file (zip) to check instead of the record.", metavar="CLAIM.zip"),
    ] = None,
    *,
    authority: Annotated[
        Path | None,
        typer.Option("--authority", help="Certificates (PEM) of a claim's time-stamping authority."),
    ] = None,
    as_json: AsJson = False,
    config_file: ConfigFile = BANK_TOML,
) -> None:
    """Check every sealed day against its hash and chain; or a claim."""
    from logger.tables import show_claim, show_verify

    if archive is not None:
        from logger.documents.claim_verify import verify_claim

        verdict = verify_claim(archive, authority)
        options.print_json({"ok": verdict.ok, **asdict(verdict)}) if as_json else show_claim(verdict)
        well = verdict.ok
    else:
        config = options.load(config_file)
        with options.record(config) as store:
            result = store.verify()
        print(result.as_json()) if as_json else show_verify(result)
        well = result.ok
    if not well:
        sys.exit(Exit.NOT_WELL)


def status(*, as_json: AsJson = False, config_file: ConfigFile = BANK_TOML) -> None:
    """Say in five lines whether it records and whether all is well."""
    from logger.status import state_of

    state = state_of(options.load(config_file), time.time())
    if as_json:
        options.print_json(state)
    else:
        for line in state.lines():
            print(line)
    if not state.well:
        sys.exit(Exit.NOT_WELL)
