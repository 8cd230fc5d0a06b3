"""`bankbook` alone: where you are, and what to do next."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from adapters.errors import BankbookError
from logger.commands.options import load


def _version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        print(f"bankbook {version('bankbook')}")
        raise typer.Exit


def bare(
    context: typer.Context,
    config_file: Annotated[
        Path | None, typer.Option("--config", "-c", help="The configuration, for the command that follows.")
    ] = None,
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and stop.")
    ] = False,
) -> None:
    """Run no command: say where the user is and what comes next."""
    del version
    if config_file is not None:
        os.environ["BANKBOOK_CONFIG"] = str(config_file)
    if context.invoked_subcommand is None:
        for line in situation():
            print(line)


def situation(path: Path | None = None) -> list[str]:
    """Say in a few lines what is here and what to do next."""
    if path is None:
        from logger.config import default_path

        path = default_path()
    if not path.exists():
        return [
            f"There is no {path} here: no bank has been set up in this folder.",
            "",
            "  bankbook demo     see the whole job on a simulated bank, no hardware needed",
            "  bankbook setup    describe your bank and write bank.toml",
            "  bankbook probe    look what is on a wire",
            "",
            "Every command explains itself with --help.",
        ]
    try:
        config = load(path)
    except BankbookError as exc:
        return [f"The configuration needs mending: {exc}"]
    packs = ", ".join(config.pack_names)
    lines = [f"{config.site.name}: packs {packs}; configuration {path}; record {config.record_shown}"]
    if "://" not in config.database and not Path(config.database).exists():
        lines.append("Nothing has been recorded yet.")
        steps = [("log", "start logging")] if config.source else []
        steps.append(("import FILE --pack " + config.pack_names[0], "bring in a CSV file"))
    elif config.source:
        steps = [
            ("status", "is it recording, and is all well?"),
            ("now", "watch the packs live"),
            ("findings", "what has been found"),
            ("week", "write the report of the last whole week"),
        ]
    else:
        steps = [
            ("findings", "what has been found"),
            ("health", "every number the record supports"),
            ("checkup", "write the report of all that is on record"),
            ("week 2026-01-15", "write the report of the week with that day"),
        ]
    return [*lines, "", *(f"  bankbook {command:<22} {what}" for command, what in steps)]
