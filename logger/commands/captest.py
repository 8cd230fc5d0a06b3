"""The guided capacity test."""

from __future__ import annotations

import sys
import time
from typing import Annotated

import typer

from logger.commands import options
from logger.commands.options import BANK_TOML, AsJson, ConfigFile
from logger.exits import Exit


def add(app: typer.Typer) -> None:
    """Hang the command onto the tree."""
    app.command()(captest)


def captest(
    *,
    pack: Annotated[
        str | None, typer.Option("--pack", help="The pack; may be left out if there is one.")
    ] = None,
    since: Annotated[
        str | None,
        typer.Option("--since", help="Judge what is on record since this local day.", metavar="DAY"),
    ] = None,
    once: Annotated[bool, typer.Option("--once", help="Say where it stands, and stop.")] = False,
    abandon: Annotated[bool, typer.Option("--abandon", help="Forget the test that is under way.")] = False,
    as_json: AsJson = False,
    config_file: ConfigFile = BANK_TOML,
) -> None:
    """Guide a capacity test, full to empty; judge whether it counts.

    May be left and taken up again.
    """
    from logger import captest as test

    config = options.load(config_file)
    name = options.one_pack(config, pack)
    day = options.day(since, "--since")
    with options.record(config, "keep") as store:
        if abandon:
            print("forgotten" if test.abandon(store, name) else "no test is under way")
            return
        start_s = test.beginning(store, name, day, time.time())
        if once or as_json or day is not None:
            step = test.Follow(store, config.pack_facts(name), start_s).update(time.time())
            if step is not None and step.state.phase in {"done", "rejected"} and day is None:
                test.finish(store, name, step)
        else:
            step = test.follow(store, config, name, start_s)
    if as_json:
        options.print_json(
            {"pack": name, **(test.as_json(step) if step else {"phase": "charge", "say": "no reading yet"})}
        )
    elif once or day is not None:
        print(step.say if step else "no reading yet: is `bankbook log` running?")
        if step is not None and step.capacity is not None:
            from logger.tables import estimate

            print(f"capacity {estimate(step.capacity)}   [{step.capacity.basis}]")
    if step is not None and step.state.phase == "rejected":
        sys.exit(Exit.NOT_WELL)
