"""Many banks: push to a central database, compute over it, and the desk's report."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logger.commands import options
from logger.commands.options import BANK_TOML, AsJson, ConfigFile

if TYPE_CHECKING:
    from logger.fleet.compute import Made

fleet_app = typer.Typer(
    help="Many banks, one desk: what is where, what needs a visit.",
    rich_markup_mode=None,
    no_args_is_help=True,
)
Place = Annotated[str, typer.Argument(help="Folder of exported Parquet days, or the central database's URL.")]
Scheduler = Annotated[
    str | None,
    typer.Option("--scheduler", help="A running Dask scheduler, tcp://…; local workers if left out."),
]
Workers = Annotated[int, typer.Option("--workers", min=1, help="Local worker processes.")]


def add(app: typer.Typer) -> None:
    """Hang the commands onto the tree."""
    app.command()(push)
    fleet_app.command()(prepare)
    fleet_app.command()(digest)
    fleet_app.command()(report)
    app.add_typer(fleet_app, name="fleet")


def push(
    url: Annotated[str, typer.Argument(help="The central database, without a password in it.")],
    *,
    name: Annotated[
        str | None, typer.Option("--as", help="Name at the centre; the site's name if left out.")
    ] = None,
    pseudonym: Annotated[
        bool, typer.Option("--pseudonym", help="Send under a name that says nothing.")
    ] = False,
    as_json: AsJson = False,
    config_file: ConfigFile = BANK_TOML,
) -> None:
    """Send what is new to the central database.

    Sealed days, digests, findings and report numbers.
    """
    from dataclasses import asdict

    from logger.fleet import address
    from logger.fleet import push as sending

    config = options.load(config_file)
    if name is not None and pseudonym:
        raise typer.BadParameter("give either --as or --pseudonym", param_hint="--pseudonym")
    engine = address.connect(url)
    with options.record(config, "read") as store, _bar("days") as progress:
        bank = sending.pseudonym(store) if pseudonym else name or config.site.name
        sent = sending.push(store, engine, bank, time.time_ns() // 1_000_000, progress)
    if as_json:
        options.print_json(asdict(sent))
    else:
        print(f"{sent.bank}: {sent.days} days sent, {sent.known} were there; "
              f"{sent.digests} digests, {sent.findings} findings, {sent.reports} reports sent")  # fmt: skip


def prepare(
    url: Annotated[str, typer.Argument(help="The central database, as its owner.")],
    *,
    pusher: Annotated[
        str | None, typer.Option("--pusher", help="Server role that may add, nothing else.")
    ] = None,
) -> None:
    """Make the central tables, and the rights of the pushing role."""
    from logger.fleet import address, central

    central.prepare(address.connect(url), pusher)
    print("the central tables are there" + (f"; {pusher} may add and read" if pusher else ""))


def digest(
    place: Place, *, scheduler: Scheduler = None, workers: Workers = 2, as_json: AsJson = False
) -> None:
    """Compute the missing digests, keep them, say how fast it went."""
    from logger.fleet.compute import Workers as Engine
    from logger.fleet.compute import compute

    start = time.perf_counter()
    with Engine(scheduler, workers) as on, _bar("stretches of days") as progress:
        made = compute(place, on, keep=True, progress=progress)
    took = time.perf_counter() - start
    numbers = {
        "computed": sum(m.days for m in made),
        "seconds": round(took, 2),
        "worker_peak_mb": round(max((m.peak_mb for m in made), default=0.0), 1),
        "unread": [day for m in made for day in m.unread],
    }
    _tell_unread(made)
    if as_json:
        options.print_json(numbers)
    else:
        print(f"{numbers['computed']} digests computed in {took:.1f} s; "
              f"a worker took at most {numbers['worker_peak_mb']} MB")  # fmt: skip


def report(
    place: Place,
    *,
    to: Annotated[Path, typer.Option("--to", help="Folder of the report.")] = Path("fleet"),
    today: Annotated[
        str | None, typer.Option("--today", help="Date of the report; today if left out.")
    ] = None,
    own: Annotated[
        int, typer.Option("--own", min=0, help="Banks from the top that get their own page.")
    ] = 20,
    scheduler: Scheduler = None,
    workers: Workers = 2,
    as_json: AsJson = False,
) -> None:
    """Write the desk's report: which banks need a visit, and why."""
    from logger.fleet import desk
    from logger.fleet.compute import Workers as Engine
    from logger.fleet.compute import compute

    day = options.day(today, "--today") or date.today()
    with Engine(scheduler, workers) as on:
        with _bar("stretches of days") as progress:
            made = compute(place, on, keep=True, progress=progress)
        with _bar("banks") as progress:
            found = desk.gather(place, made, on, progress)
    _tell_unread(made)
    with _bar("banks' own pages") as progress:
        pages = desk.write_desk(found, to, day.isoformat(), own_reports=own, progress=progress)
    if as_json:
        options.print_json([str(p) for p in pages])
    else:
        for page in pages:
            print(page)


def _tell_unread(made: Sequence[Made]) -> None:
    """Say on the error stream which days could not be read; the work goes on without them."""
    for m in made:
        for day in m.unread:
            print(f"bankbook: cannot read {day}", file=sys.stderr)


@contextmanager
def _bar(what: str) -> Iterator[Callable[[int, int], None]]:
    from rich.console import Console
    from rich.progress import Progress

    console = Console(stderr=True)
    with Progress(console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task(what, total=None)

        def progress(done: int, total: int) -> None:
            bar.update(task, completed=done, total=total)

        yield progress
