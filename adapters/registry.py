"""Kinds of sources: which class speaks each, imported only when it is used."""

from __future__ import annotations

import difflib
import types
import typing
from collections.abc import Mapping
from dataclasses import MISSING, fields
from importlib import import_module
from pathlib import Path
from typing import Any, Final

from adapters.base import Adapter
from adapters.configs import SourceConfig
from adapters.errors import ConfigError

KINDS: Final[dict[str, str]] = {
    "modbus-tcp": "adapters.modbus:ModbusAdapter",
    "modbus-rtu": "adapters.modbus:ModbusAdapter",
    "sunspec-tcp": "adapters.sunspec:SunSpecAdapter",
    "sunspec-rtu": "adapters.sunspec:SunSpecAdapter",
    "can": "adapters.can_listen:CanAdapter",
    "replay": "adapters.replay:ReplayAdapter",
}
"""Kind of source → adapter, as "module:Class"."""

CONFIGS: Final[dict[str, str]] = {
    "modbus-tcp": "adapters.configs:ModbusTcpConfig",
    "modbus-rtu": "adapters.configs:ModbusRtuConfig",
    "sunspec-tcp": "adapters.configs:SunSpecTcpConfig",
    "sunspec-rtu": "adapters.configs:SunSpecRtuConfig",
    "can": "adapters.configs:CanConfig",
    "replay": "adapters.configs:ReplayConfig",
}
"""Kind of source → its configuration, as "module:Class"."""


def _found(place: str) -> Any:
    module, _, name = place.partition(":")
    return getattr(import_module(module), name)


def kind_of(config: SourceConfig) -> str:
    """Kind of a configuration.

    Raises
    ------
    ConfigError
        If it belongs to no kind.
    """
    for kind, place in CONFIGS.items():
        if type(config) is _found(place):
            return kind
    raise ConfigError(f'source "{config.name}": {type(config).__name__} is no kind of source', "see KINDS")


def make(config: SourceConfig) -> Adapter:
    """Make the adapter of a source; opens nothing.

    Raises
    ------
    ConfigError
        If a map or binding is missing or wrong.
    """
    adapter: Adapter = _found(KINDS[kind_of(config)])(config)
    return adapter


def config_from(kind: str, keys: Mapping[str, Any], folder: Path | None = None) -> SourceConfig:
    """Build the configuration of a source from the keys of its `[[source]]` table.

    Parameters
    ----------
    kind : str
        A key of `KINDS`.
    keys : mapping
        The other keys of the table.
    folder : Path or None
        Folder that relative paths start from.

    Raises
    ------
    ConfigError
        Naming the source, the key, and what to do.
    """
    name = keys.get("name", "?")
    if kind not in CONFIGS:
        raise ConfigError(f'source "{name}": kind = "{kind}" is unknown', "use one of: " + ", ".join(CONFIGS))
    cls = _found(CONFIGS[kind])
    hints = typing.get_type_hints(cls)
    known = {field.name: field for field in fields(cls) if field.name != "folder"}
    for key, content in keys.items():
        if key not in known:
            near = difflib.get_close_matches(key, known, n=1)
            remedy = f"did you mean {near[0]}?" if near else "known are: " + ", ".join(known)
            raise ConfigError(f'source "{name}": unknown key {key} for kind "{kind}"', remedy)
        if not _suits(content, hints[key]):
            raise ConfigError(
                f'source "{name}": {key} = {content!r} is of the wrong type', f"give {_words(hints[key])}"
            )
    for key, field in known.items():
        if field.default is MISSING and field.default_factory is MISSING and key not in keys:
            raise ConfigError(f'source "{name}": {key} is missing', f'a source of kind "{kind}" needs it')
    config: SourceConfig = cls(**keys, folder=folder)
    return config


def _suits(content: object, hint: Any) -> bool:
    options = typing.get_args(hint) if isinstance(hint, types.UnionType) else (hint,)
    if isinstance(content, bool):
        return bool in options
    return any(isinstance(content, int | float if option is float else option) for option in options)


def _words(hint: Any) -> str:
    words = {str: "text", int: "a whole number", float: "a number", bool: "true or false"}
    options = typing.get_args(hint) if isinstance(hint, types.UnionType) else (hint,)
    return " or ".join(words[option] for option in options if option in words)
