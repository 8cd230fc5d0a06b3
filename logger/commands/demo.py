"""The whole job on a simulated bank, over the real protocols, with no hardware."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def add(app: typer.Typer) -> None:
    """Hang the command onto the tree."""
    app.command()(demo)


def demo(
    *,
    folder: Annotated[Path, typer.Option("--folder", help="Where the demo's record and report go.")] = Path(
        "bankbook-demo"
    ),
    weeks: Annotated[int, typer.Option("--weeks", min=1, max=60, help="Weeks of history to make.")] = 8,
    seconds: Annotated[int, typer.Option("--seconds", min=5, max=600, help="How long to log live. [s]")] = 20,
) -> None:
    """Run the whole job on a simulated bank, no hardware needed.

    History, live logging over Modbus and CAN, the weekly report.
    """
    from logger.demo import run

    run(folder, weeks=weeks, seconds=seconds)
