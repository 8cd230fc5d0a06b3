"""Options that every command shares, and the two lines with which most of them begin."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from adapters.errors import StoreError

if TYPE_CHECKING:
    from logger.config import Config
    from logger.store import Store

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
def record(config: Config, *, write: bool = False) -> Iterator[Store]:
    """Open the record for the length of a `with`."""
    from logger.store import Store

    if not write and "://" not in config.database and not Path(config.database).exists():
        raise StoreError(
            f"{config.database}: there is no record yet", "start `bankbook log`, or use `bankbook import`"
        )
    store = Store.open(config.database, write=write)
    try:
        yield store
    finally:
        store.close()


def day(text: str | None, option: str) -> date | None:
    """Read a local date.

    Raises
    ------
    ConfigError
        If it is not one.
    """
    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError as exc:
        raise typer.BadParameter(f"{text!r} is not a date such as 2026-01-31", param_hint=option) from exc


def print_json(value: Any) -> None:
    """Print a value as JSON; dataclasses become objects, unknown numbers null."""
    print(json.dumps(plain(value), indent=2, ensure_ascii=False, allow_nan=False))


def plain(value: Any) -> Any:
    """Turn a result into what JSON can say."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(v) for v in value]
    if isinstance(value, float):
        return value if value == value and abs(value) != float("inf") else None  # noqa: PLR0124 - NaN is not itself
    if isinstance(value, str | int | None):
        return value
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    return str(value)


__all__ = ["BANK_TOML", "AsJson", "ConfigFile", "day", "load", "plain", "print_json", "record"]
