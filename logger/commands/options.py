"""Options that every command shares, and the two lines with which most of them begin."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from logger.config import Config
    from logger.record.opening import Mode
    from logger.record.store import Store

ConfigFile = Annotated[
    Path, typer.Option("--config", "-c", envvar="BANKBOOK_CONFIG", help="The configuration, bank.toml.")
]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON for a script.")]
BANK_TOML = Path("bank.toml")


def load(path: Path) -> Config:
    """Read and check the configuration."""
    from logger.config import Config

    return Config.load(path)


@contextmanager
def record(config: Config, mode: Mode = "read") -> Iterator[Store]:
    """Open the record for the length of a `with`; see `logger.record.opening.open_record`."""
    from logger.record.opening import open_record

    store = open_record(config, mode)
    try:
        yield store
    finally:
        store.close()


@contextmanager
def steps() -> Iterator[Callable[[str], None]]:
    """Say on a terminal what takes a while, in one line that goes away; elsewhere nothing."""
    from rich.console import Console

    console = Console(stderr=True)
    if not console.is_terminal:
        yield lambda _: None
        return
    with console.status("") as line:
        yield lambda text: line.update(f"{text} …")


def day(text: str | None, option: str) -> date | None:
    """Read a local date.

    Raises
    ------
    typer.BadParameter
        If it is not one.
    """
    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError as exc:
        raise typer.BadParameter(f"{text!r} is not a date such as 2026-01-31", param_hint=option) from exc


def day_text(text: str | None, option: str) -> str | None:
    """Check a local date and return it as the analysis takes it."""
    read = day(text, option)
    return None if read is None else read.isoformat()


def one_pack(config: Config, name: str | None) -> str:
    """Return the pack asked for, or the only one.

    Raises
    ------
    ConfigError
        If there is no pack of that name.
    typer.BadParameter
        If none was named and there are several.
    """
    if name is None and len(config.pack_names) > 1:
        raise typer.BadParameter(f"which one: {', '.join(config.pack_names)}?", param_hint="--pack")
    return config.pack_facts(name or config.pack_names[0]).name


def print_json(value: Any) -> None:
    """Print a value as JSON; dataclasses become objects, unknown numbers null."""
    from analysis.plain import plain

    print(json.dumps(plain(value), indent=2, ensure_ascii=False, allow_nan=False))
