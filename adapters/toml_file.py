"""A person's TOML file, read so that every complaint can name the file, the line, the key and the remedy."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Collection, Iterable, Mapping
from pathlib import Path
from typing import Any

from adapters.errors import MapError

MAX_BYTES = 1_000_000
"""No map that a person writes is larger; a larger file is some other file. [bytes]"""

_HEADER = re.compile(r"^\s*\[{1,2}\s*([A-Za-z0-9_.\-]+)\s*\]{1,2}\s*(#.*)?$")
_KEY = re.compile(r"^\s*\"?([A-Za-z0-9_\-]+)\"?\s*=")


class TomlFile:
    """A parsed file that still knows its lines.

    Parameters
    ----------
    name : str
        What to call the file in messages.
    text : str
        Its content.

    Raises
    ------
    MapError
        If it is not TOML.
    """

    def __init__(self, name: str, text: str) -> None:
        self.name = name
        try:
            self.tables: dict[str, Any] = tomllib.loads(text)
        except (tomllib.TOMLDecodeError, RecursionError) as exc:
            raise MapError(f"{name}: this is not TOML: {exc}", "mend that line") from exc
        self._lines = _index(text)

    @classmethod
    def load(cls, path: Path) -> TomlFile:
        """Read a file.

        Raises
        ------
        MapError
            If it cannot be read, is too large, or is not TOML in UTF-8.
        """
        try:
            if path.stat().st_size > MAX_BYTES:
                raise MapError(f"{path}: larger than {MAX_BYTES} bytes", "name a map file, not a data file")
            return cls(str(path), path.read_text(encoding="utf-8-sig"))
        except FileNotFoundError as exc:
            raise MapError(f"{path}: there is no such file", "check the path in bank.toml") from exc
        except UnicodeDecodeError as exc:
            raise MapError(f"{path}: not text in UTF-8", "save the file as UTF-8") from exc
        except OSError as exc:
            raise MapError(
                f"{path}: cannot be read: {exc.strerror}", "check the file's owner and mode"
            ) from exc

    def where(self, table: str, number: int = 0, key: str | None = None) -> str:
        """Name a place: 'orchard.toml line 12, [[register]] 3, key scale'."""
        lines = self._lines.get((table, number), {})
        line = lines.get(key or "", lines.get("", 0))
        at = f" line {line}" if line else ""
        many = isinstance(self.tables.get(table), list)
        place = f"[[{table}]] {number + 1}" if many else f"[{table}]"
        return f"{self.name}{at}, {place}" + (f", key {key}" if key else "")

    def only(self, known: Collection[str]) -> None:
        """Refuse tables that nobody reads.

        Raises
        ------
        MapError
            Naming the first unknown table.
        """
        for table in self.tables:
            if table not in known:
                raise MapError(f"{self.where(table)}: unknown table", _did_you_mean(table, known))

    def section(self, table: str) -> Section:
        """Return the single table `[table]`; an absent one reads as empty."""
        content = self.tables.get(table, {})
        if not isinstance(content, dict):
            raise MapError(f"{self.where(table)}: must be a single table", f"write [{table}]")
        return Section(self, table, 0, content)

    def sections(self, table: str) -> list[Section]:
        """Return every `[[table]]`, in the order of the file."""
        content = self.tables.get(table, [])
        if not isinstance(content, list) or not all(isinstance(item, dict) for item in content):
            raise MapError(f"{self.where(table)}: must be a list of tables", f"write [[{table}]]")
        return [Section(self, table, number, item) for number, item in enumerate(content)]


class Section:
    """One table of a file; every getter checks and remembers what was asked for."""

    def __init__(self, file: TomlFile, table: str, place: int, content: Mapping[str, Any]) -> None:
        self.file = file
        self.table = table
        self.place = place
        self._content = content
        self._asked: set[str] = set()

    def __contains__(self, key: str) -> bool:
        return key in self._content

    def error(self, key: str | None, what: str, remedy: str) -> MapError:
        """Make the error for a key, with its place."""
        shown = f" = {self._content[key]!r}" if key is not None and key in self._content else ""
        return MapError(f"{self.file.where(self.table, self.place, key)}{shown}: {what}", remedy)

    def _get(self, key: str) -> Any:
        self._asked.add(key)
        return self._content.get(key)

    def text(self, key: str, default: str | None = None) -> str:
        """Return a text; required if there is no default."""
        value = self._get(key)
        if value is None:
            if default is None:
                raise self.error(key, "is missing", f'add {key} = "…"')
            return default
        if not isinstance(value, str):
            raise self.error(key, "must be text", "put it in quotation marks")
        return value

    def choice(self, key: str, allowed: Iterable[str], default: str | None = None) -> str:
        """Return one of a few words."""
        words = list(allowed)
        value = self.text(key, default)
        if value not in words and value != default:
            raise self.error(key, "is not one of the words allowed", _did_you_mean(value, words))
        return value

    def integer(self, key: str, low: int, high: int, default: int | None = None) -> int:
        """Return a whole number within limits; required if there is no default."""
        value = self._get(key)
        if value is None:
            if default is None:
                raise self.error(key, "is missing", f"add {key} = a whole number from {low} to {high}")
            return default
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise self.error(key, "does not fit", f"give a whole number from {low} to {high}")
        return value

    def number(self, key: str, default: float, low: float = -1e12, high: float = 1e12) -> float:
        """Return a number within limits."""
        value = self._get(key)
        if value is None:
            return default
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            raise self.error(key, "does not fit", f"give a number from {low:g} to {high:g}")
        return value

    def flag(self, key: str, *, default: bool = False) -> bool:
        """Return true or false."""
        value = self._get(key)
        if value is None:
            return default
        if not isinstance(value, bool):
            raise self.error(key, "must be true or false", "write it without quotation marks")
        return value

    def integers(self, key: str) -> tuple[int, ...] | None:
        """Return a list of whole numbers, or None if the key is absent."""
        value = self._get(key)
        if value is None:
            return None
        items = value if isinstance(value, list) else [value]
        if not items or not all(isinstance(item, int) and not isinstance(item, bool) for item in items):
            raise self.error(key, "must be a list of whole numbers", f"write {key} = [1, 2]")
        return tuple(items)

    def texts(self, key: str) -> tuple[str, ...]:
        """Return a list of texts, empty if the key is absent."""
        value = self._get(key)
        if value is None:
            return ()
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            raise self.error(key, "must be a list of texts", f'write {key} = ["a", "b"]')
        return tuple(value)

    def names(self, key: str, low: int, high: int) -> dict[int, str]:
        """Return a table of whole numbers to names, empty if the key is absent."""
        value = self._get(key)
        if value is None:
            return {}
        remedy = f'write {key} = {{ {low} = "a name" }}, numbers from {low} to {high}'
        if not isinstance(value, dict):
            raise self.error(key, "must be a table", remedy)
        named: dict[int, str] = {}
        for word, name in value.items():
            number = _whole(word)
            if number is None or not low <= number <= high or not isinstance(name, str):
                raise self.error(key, f"entry {word} does not fit", remedy)
            named[number] = name
        return named

    def done(self) -> None:
        """Refuse keys that nobody asked for.

        Raises
        ------
        MapError
            Naming the first unknown key.
        """
        for key in self._content:
            if key not in self._asked:
                raise self.error(key, "unknown key", _did_you_mean(key, self._asked))


def _whole(word: str) -> int | None:
    try:
        return int(word, 0)
    except ValueError:
        return None


def _did_you_mean(word: str, known: Collection[str]) -> str:
    near = difflib.get_close_matches(word, list(known), n=1)
    listed = ", ".join(sorted(known))
    return f"did you mean {near[0]}?" if near else f"known are: {listed}"


def _index(text: str) -> dict[tuple[str, int], dict[str, int]]:
    """Line numbers of tables (under the key "") and of keys in them."""
    index: dict[tuple[str, int], dict[str, int]] = {}
    seen: dict[str, int] = {}
    here: dict[str, int] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        if header := _HEADER.match(line):
            table = header.group(1)
            place = seen.get(table, -1) + 1
            seen[table] = place
            here = index.setdefault((table, place), {"": number})
        elif key := _KEY.match(line):
            here.setdefault(key.group(1), number)
    return index
