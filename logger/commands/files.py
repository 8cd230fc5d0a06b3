"""Files in and out of the record."""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from enum import Enum
from pathlib import Path
from typing import Annotated

import typer

from logger.commands import options
from logger.commands.options import BANK_TOML, AsJson, ConfigFile
from logger.exits import Exit


class Form(Enum):
    """How values are written out."""

    physical = "physical"
    integers = "integers"
    bdf = "bdf"


def add(app: typer.Typer) -> None:
    """Hang the commands onto the tree."""
    app.command("import")(bring_in)
    app.command()(backup)
    app.command()(export)
    app.command()(salvage)


def bring_in(
    file: Annotated[
        Path,
        typer.Argument(help="A CSV file, or a capture: CAN frames (.log, .asc, .blf), registers (.reg)."),
    ],
    *,
    pack: Annotated[str | None, typer.Option("--pack", help="The pack it speaks about.")] = None,
    witness: Annotated[str | None, typer.Option("--witness", help="Or the witness it speaks about.")] = None,
    binding: Annotated[
        str | None,
        typer.Option("--binding", help="For a capture: its binding; that of the CAN source if left out."),
    ] = None,
    database: Annotated[
        str | None, typer.Option("--database", help="For a capture: its DBC or KCD file.")
    ] = None,
    register_map: Annotated[
        str | None, typer.Option("--map", help="For registers: their map; that of the source if left out.")
    ] = None,
    start: Annotated[
        datetime | None, typer.Option("--start", help="For a capture without dates: when it began, in UTC.")
    ] = None,
    as_json: AsJson = False,
    config_file: ConfigFile = BANK_TOML,
) -> None:
    """Bring a CSV file or a capture into the record. The same file twice changes nothing."""
    from logger.record.bring_in import Bus, bring

    config = options.load(config_file)
    if (pack is None) == (witness is None):
        raise typer.BadParameter("say whose readings the file has: --pack NAME or --witness NAME")
    start_s = start.replace(tzinfo=UTC).timestamp() if start else None
    bus = Bus(_here(binding), _here(database), start_s, _here(register_map))
    with options.record(config, "write") as store:
        outcome = bring(store, config, file, pack=pack, witness=witness, bus=bus)
    if as_json:
        options.print_json(outcome)
    else:
        for line in outcome.lines():
            print(line)


def _here(name: str | None) -> str | None:
    """Take a file of the working folder for what it is; other names start from the folder of bank.toml."""
    return str(Path(name).absolute()) if name is not None and Path(name).is_file() else name


def backup(
    to: Annotated[Path, typer.Argument(help="The file to write, or a folder to put it in.")],
    *,
    as_json: AsJson = False,
    config_file: ConfigFile = BANK_TOML,
) -> None:
    """Copy the record safely, also while logging; verify the copy."""
    from logger.record.backup import backup as copy
    from logger.record.opening import check_place

    config = options.load(config_file)
    if "://" not in config.database:
        check_place(config, must_exist=True)
    done = copy(config.database, to)
    if as_json:
        options.print_json({"path": str(done.path), "bytes": done.size, "ok": done.verified.ok})
    else:
        sound = "verified" if done.verified.ok else "NOT as it was sealed: see `bankbook verify`"
        print(f"{done.path}: {done.size / 1e6:,.1f} MB, {done.verified.days} sealed days, {sound}")
    if not done.verified.ok:
        sys.exit(Exit.NOT_WELL)


def export(
    *,
    parquet: Annotated[
        Path | None, typer.Option("--parquet", help="Folder for Parquet files by site, pack and day.")
    ] = None,
    csv: Annotated[Path | None, typer.Option("--csv", help="One CSV file, of one pack or witness.")] = None,
    pack: Annotated[str | None, typer.Option("--pack", help="Only this pack.")] = None,
    witness: Annotated[str | None, typer.Option("--witness", help="This witness (CSV only).")] = None,
    first: Annotated[str | None, typer.Option("--from", help="First local day.", metavar="DAY")] = None,
    last: Annotated[str | None, typer.Option("--to", help="Last local day.", metavar="DAY")] = None,
    form: Annotated[
        Form, typer.Option("--form", help="Real numbers, integers as stored, or Battery Data Format names.")
    ] = Form.physical,
    as_json: AsJson = False,
    config_file: ConfigFile = BANK_TOML,
) -> None:
    """Write readings out, as Parquet or CSV.

    Parquet by site, pack and day, or one CSV file that can be imported again.
    """
    from adapters.base import Subject
    from logger.record.export import export_csv, export_parquet

    if (parquet is None) == (csv is None):
        raise typer.BadParameter("say where to: --parquet FOLDER or --csv FILE")
    config = options.load(config_file)
    begin, end = options.day_text(first, "--from"), options.day_text(last, "--to")
    if pack is not None:
        config.pack_facts(pack)
    with options.record(config) as store:
        if parquet is not None:
            packs = None if pack is None else [pack]
            files = export_parquet(
                store, parquet, site=config.site.name, packs=packs, first=begin, last=end, form=form.value
            )
            if as_json:
                options.print_json({"files": [str(file) for file in files]})
            else:
                print(f"{len(files)} files in {parquet}")
        elif csv is not None:
            if form is Form.integers:
                raise typer.BadParameter(
                    "integers are for Parquet, which keeps their scales", param_hint="--form"
                )
            name = pack or witness or (config.pack_names[0] if len(config.pack_names) == 1 else None)
            if name is None:
                raise typer.BadParameter("a CSV file has one subject: --pack NAME or --witness NAME")
            subject = Subject(name, "witness" if witness and not pack else "pack")
            rows = export_csv(store, csv, subject=subject, first=begin, last=end, form=form.value)
            if as_json:
                options.print_json({"file": str(csv), "readings": rows})
            else:
                print(f"{rows:,} readings in {csv}")


def salvage(
    words: Annotated[
        list[str],
        typer.Argument(help="OLD into NEW: the damaged record, and where to.", metavar="OLD into NEW"),
    ],
    *,
    as_json: AsJson = False,
    config_file: ConfigFile = BANK_TOML,
) -> None:
    """Bring what still checks out of a damaged record into another.

    Without NEW into the configured one.
    """
    from logger.record.salvage import salvage as bring
    from logger.record.store import Store

    names = [word for word in words if word.lower() != "into"]
    if len(names) not in {1, 2}:
        raise typer.BadParameter("write: bankbook salvage OLD into NEW")
    config = options.load(config_file)
    with Store.open(
        names[1] if len(names) == 2 else config.database, write=True, timezone=config.site.timezone
    ) as into:
        done = bring(names[0], into)
    if as_json:
        options.print_json(done)
        return
    print(f"{done.days} sealed days and {done.hot_readings:,} readings of unsealed days brought over")
    if done.refused:
        print(f"  {done.refused:,} readings that cannot be right were left out")
    for lost in done.lost_days:
        print(f"  lost: {lost}")
