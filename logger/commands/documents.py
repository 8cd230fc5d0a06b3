"""Reports, the claim file, and the page."""

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

Folder = Annotated[Path | None, typer.Option("--to", help="Folder; [report] folder if left out.")]


def add(app: typer.Typer) -> None:
    """Hang the commands onto the tree."""
    app.command()(week)
    app.command()(checkup)
    app.command()(claim)
    app.command()(serve)


def week(
    day: Annotated[
        str | None, typer.Argument(help="Any day of the week wanted; the last whole week if left out.")
    ] = None,
    *,
    to: Folder = None,
    as_json: AsJson = False,
    config_file: ConfigFile = BANK_TOML,
) -> None:
    """Write the report of one local week: HTML, PDF and JSON."""
    from logger.documents.week import write_week
    from logger.record.histories import last_whole_week

    config = options.load(config_file)
    wanted = options.day(day, "DAY") or last_whole_week(config, time.time())
    with options.record(config, "keep") as store, options.steps() as step:
        step("computing the week")
        pages = write_week(store, config, wanted, to)
    _print_pages(pages, as_json=as_json)


def checkup(
    *,
    last: Annotated[
        str | None, typer.Option("--last", help="Last local day to look at.", metavar="DAY")
    ] = None,
    to: Folder = None,
    as_json: AsJson = False,
    config_file: ConfigFile = BANK_TOML,
) -> None:
    """Write the check-up: what holds, what moved, what to do."""
    from logger.documents.checkup import write_checkup

    config = options.load(config_file)
    with options.record(config, "keep") as store, options.steps() as step:
        step("computing the check-up")
        pages = write_checkup(store, config, options.day(last, "--last"), to)
    _print_pages(pages, as_json=as_json)


def _print_pages(pages: list[Path], *, as_json: bool) -> None:
    if as_json:
        options.print_json([str(page) for page in pages])
    else:
        for page in pages:
            print(page)


def claim(
    *,
    reason: Annotated[str, typer.Option("--reason", help="Why, in a sentence.")],
    pack: Annotated[
        str | None, typer.Option("--pack", help="The pack; may be left out if there is one.")
    ] = None,
    first: Annotated[
        str | None, typer.Option("--from", help="First local day enclosed.", metavar="DAY")
    ] = None,
    last: Annotated[
        str | None, typer.Option("--until", help="Last local day enclosed.", metavar="DAY")
    ] = None,
    redact: Annotated[bool, typer.Option("--redact", help="Leave out the site's name and serials.")] = False,
    no_csv: Annotated[bool, typer.Option("--no-csv", help="Enclose the days as Parquet only.")] = False,
    stamp: Annotated[
        str | None, typer.Option("--stamp", help="Address of a time-stamping authority (RFC 3161).")
    ] = None,
    to: Folder = None,
    as_json: AsJson = False,
    config_file: ConfigFile = BANK_TOML,
) -> None:
    """Write the claim file of a pack: a document and its evidence.

    As a folder and a zip.
    """
    from logger.documents.claim import write_claim
    from logger.documents.claim_facts import Wish

    config = options.load(config_file)
    wish = Wish(
        options.one_pack(config, pack), reason,
        options.day_text(first, "--from"), options.day_text(last, "--until"),
        redact=redact, csv=not no_csv, authority=stamp,
    )  # fmt: skip
    with options.record(config, "keep") as store, options.steps() as step:
        made = write_claim(store, config, wish, now_s=time.time(), out_dir=to, on_step=step)
    if as_json:
        options.print_json({**asdict(made), "folder": str(made.folder), "archive": str(made.archive)})
    else:
        print(made.archive)
        print(f"  {made.days} sealed days enclosed; note the hash of its list: {made.manifest_sha256}")
        if made.stamped:
            print(f"  stamped: {made.stamped}")
        if not made.supports:
            print("  but this record supports nothing yet: too few readings for any number or finding")
    if not made.supports:
        sys.exit(Exit.NOT_WELL)


def serve(
    *,
    host: Annotated[str | None, typer.Option("--host", help="Address; [page] host if left out.")] = None,
    port: Annotated[
        int | None, typer.Option("--port", min=0, max=65535, help="Port; 0 takes a free one.")
    ] = None,
    config_file: ConfigFile = BANK_TOML,
) -> None:
    """Serve the read-only page: live values, findings, reports. To this machine only unless asked."""
    from logger.page.serve import serve as run

    config = options.load(config_file)
    with options.record(config, "read") as store:
        run(store, config, host=host, port=port)
