"""Tables as TOML text, for the one file bankbook writes for a person: bank.toml."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any


def toml_text(tables: Mapping[str, Any], head: str = "") -> str:
    """Write tables as TOML.

    Parameters
    ----------
    tables : mapping
        Names to tables, or to lists of tables; a table has texts, numbers, truths and further tables. What is
        None is left out.
    head : str
        Comment lines for the top, without the sign.

    Returns
    -------
    str
        What `tomllib` reads back as the same.
    """
    parts = ["\n".join(f"# {line}".rstrip() for line in head.splitlines())] if head else []
    for name, value in tables.items():
        if isinstance(value, Mapping):
            parts += _table(f"[{name}]", name, value)
        else:
            for entry in value or ():
                parts += _table(f"[[{name}]]", name, entry)
    return "\n\n".join(parts) + "\n"


def _table(title: str, name: str, table: Mapping[str, Any]) -> list[str]:
    lines = [title]
    inner: list[str] = []
    for key, value in table.items():
        if isinstance(value, Mapping):
            if any(v is not None for v in value.values()):
                inner += _table(f"[{name}.{key}]", f"{name}.{key}", value)
        elif value is not None:
            lines.append(f"{key} = {_value(value)}")
    return ["\n".join(lines), *inner]


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(_value, value)) + "]"
    return json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007f")
