"""Describing a bank, and proving that what comes from it is right."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from logger.commands import options
from logger.commands.options import BANK_TOML, AsJson, ConfigFile
from logger.exits import Exit


def add(app: typer.Typer) -> None:
    """Hang the command onto the tree."""
    app.command()(setup)


def setup(
    *,
    answers: Annotated[
        Path | None, typer.Option("--answers", help="A file of answers instead of questions; see the README.")
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace a bank.toml that is there.")] = False,
    check_only: Annotated[
        bool,
        typer.Option("--check-only", help="Only the commissioning check of the bank.toml that is there."),
    ] = False,
    seconds: Annotated[float, typer.Option("--seconds", min=1, help="How long to listen. [s]")] = 12.0,
    as_json: AsJson = False,
    config_file: ConfigFile = BANK_TOML,
) -> None:
    """Ask about the bank, write bank.toml, check the commissioning."""
    from logger.commissioning.commission_live import commission
    from logger.commissioning.setup import check_free, from_file, from_person, screens_from_person, write

    by_hand = answers is None and sys.stdin.isatty()
    if answers is None and not by_hand and not check_only:
        raise typer.BadParameter("there is no terminal to ask at; give --answers FILE")
    if not check_only:
        check_free(config_file, force=force)
    tables, screens = from_file(answers) if answers is not None else ({}, None)
    if not check_only:
        tables = tables or from_person(_ask, print, lambda: _proposals(config_file.absolute().parent))
        config = write(tables, config_file, force=force)
        print(f"wrote {config_file}", file=sys.stderr)
    else:
        config = options.load(config_file)
    if screens is None:
        from logger.commissioning.commission import Screens

        screens = screens_from_person(_ask, print) if by_hand else Screens()
    if not config.source:
        print("no [[source]]: nothing to check; bring data in with `bankbook import`", file=sys.stderr)
        return
    baseline = commission(config, screens, listen_s=seconds)
    if as_json:
        options.print_json(baseline.as_dict())
    else:
        print("\n".join(baseline.lines()))
    if not baseline.good:
        sys.exit(Exit.NOT_WELL)


def _proposals(folder: Path) -> list[dict[str, Any]]:
    from logger.commissioning.probe import look, proposals, save_drafts, usual_wires

    looked = look(usual_wires(), print)
    for path in save_drafts(looked, folder):
        print(f"wrote {path}: a beginning; complete it with the maker's list")
    return proposals(looked)


def _ask(question: str, default: str = "") -> str:
    return str(typer.prompt(question, default=default, show_default=bool(default)))
