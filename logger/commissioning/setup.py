"""`bankbook setup`: questions or a file of answers in, bank.toml and a commissioning check out."""

from __future__ import annotations

import os
import shutil
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

from adapters.errors import ConfigError, StoreFull
from logger.commissioning.commission import Screens
from logger.commissioning.questions import (
    PACK,
    SITE,
    WIRES,
    Asker,
    Question,
    a_number,
    ask_table,
    machine_zone,
)
from logger.commissioning.toml_text import toml_text
from logger.config import Config

HEAD = "This bank, as bankbook knows it. Written by `bankbook setup`; edit it freely (keys: see README)."
PACK_LETTERS = "ABCDEFGH"


def from_file(answers: Path) -> tuple[dict[str, Any], Screens]:
    """Read a file of answers: bank.toml's own tables, and `[screens]` with what other screens show.

    Raises
    ------
    ConfigError
        If it cannot be read, or `[screens]` says something odd.
    """
    try:
        tables = tomllib.loads(answers.read_text(encoding="utf-8"))
    except OSError as exc:
        raise ConfigError(f"{answers}: cannot be read: {exc.strerror}", "check the name") from exc
    except ValueError as exc:
        raise ConfigError(f"{answers}: is not valid TOML: {exc}", "correct that line") from exc
    return tables, screens_of(tables.pop("screens", {}), str(answers))


def screens_of(table: Any, where: str) -> Screens:
    """Check what the user says other screens show.

    Raises
    ------
    ConfigError
        If it cannot be.
    """
    if not isinstance(table, dict) or set(table) - {"soc", "doing"}:
        raise ConfigError(f"{where}: [screens] has keys it does not know", "it has soc (0 to 1) and doing")
    soc, doing = table.get("soc"), table.get("doing")
    if soc is not None and (isinstance(soc, bool) or not isinstance(soc, int | float) or not 0 <= soc <= 1.2):
        raise ConfigError(f"{where}: [screens] soc = {soc!r}", "give a fraction, for example 0.62")
    words = ("charging", "discharging", "resting")
    if doing is not None and doing not in words:
        raise ConfigError(f"{where}: [screens] doing = {doing!r}", f"use one of {', '.join(words)}")
    return Screens(soc, doing)


def from_person(
    ask: Asker, say: Callable[[str], None], probe: Callable[[], list[dict[str, Any]]] | None = None
) -> dict[str, Any]:
    """Ask a person about everything.

    Parameters
    ----------
    ask, say : callable
        Put a question, say a line.
    probe : callable, optional
        Looks what is on the wires and proposes sources; asked for only if the person wants it.

    Returns
    -------
    dict
        Tables of bank.toml.
    """
    say("The place")
    site = ask_table(SITE, ask, {"timezone": machine_zone()}, say)
    count = int(
        ask_table(
            (Question("n", "How many packs (batteries with their own address)?", a_number, "1"),),
            ask,
            {},
            say,
        )["n"]
    )
    packs, sources = [], []
    for number in range(max(1, min(count, 32))):
        say(f"\nPack {number + 1}")
        letter = PACK_LETTERS[number] if number < len(PACK_LETTERS) else f"P{number + 1}"
        packs.append(ask_table(PACK, ask, {"name": letter}, say))
    found = (
        probe()
        if probe is not None and _yes(ask("Shall I look what is on the wires? It only reads (yes/no)", "yes"))
        else []
    )
    for number, pack in enumerate(packs, 1):
        sources += _source(pack["name"], found, str(min(number, len(found)) or "none"), ask, say)
    return {"site": site, "pack": packs, "source": sources}


def screens_from_person(ask: Asker, say: Callable[[str], None]) -> Screens:
    """Ask what the inverter's screen shows at this moment."""
    say("\nThe check: please look at the inverter's screen.")
    soc = ask_table(
        (Question("soc", "State of charge it shows [%], nothing if none", a_number),), ask, {}, say
    ).get("soc")
    doing = (
        ask("Is the bank charging, discharging or resting? (nothing if you cannot tell)", "").strip().lower()
    )
    words = next((w for w in ("charging", "discharging", "resting") if doing and w.startswith(doing)), None)
    return Screens(None if soc is None else min(soc / 100, 1.2), words)  # type: ignore[arg-type]  # one of the three


def check_free(path: Path, *, force: bool) -> None:
    """Raise ConfigError if there is a bank.toml already and it is not to be replaced."""
    if path.exists() and not force:
        raise ConfigError(
            f"{path} is there already", "use --force to replace it (it is kept as .before), or edit it"
        )


def write(tables: dict[str, Any], path: Path, *, force: bool) -> Config:
    """Check the tables and write bank.toml; what was there before is kept beside it.

    Raises
    ------
    ConfigError
        If the tables are wrong, or the file is there and `force` is not set.
    StoreFull
        If it cannot be written.
    """
    check_free(path, force=force)
    text = toml_text(tables, HEAD)
    config = Config.parse(tomllib.loads(text), path)
    try:
        if path.exists():
            shutil.copy2(path, path.with_name(path.name + ".before"))
        _write_safely(path, text)
    except OSError as exc:
        raise StoreFull(
            f"{path}: cannot be written ({exc.strerror})", "check the folder and its permissions"
        ) from exc
    return config


def _write_safely(path: Path, text: str) -> None:
    """Write a file so that a power cut leaves the old one or the new one, never a part."""
    part = path.with_name(f".{path.name}.part")
    with part.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    part.replace(path)
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def _source(
    pack: str, found: list[dict[str, Any]], likely: str, ask: Asker, say: Callable[[str], None]
) -> list[dict[str, Any]]:
    """Ask which wire leads to a pack; nothing if it will only be imported."""
    say(f"\nThe wire of pack {pack}")
    for number, one in enumerate(found, 1):
        say(f"  {number}: {', '.join(f'{k} = {v}' for k, v in one.items() if k not in {'name', 'pack'})}")
    kinds = [*WIRES, "none"]
    offered = "a number from above, or " if found else ""
    while True:
        answer = ask(f"Which ({offered}{', '.join(kinds)})?", likely).strip()
        if answer == "none" or not answer:
            return []
        name = f"line-{pack}"
        if answer.isdigit() and 1 <= int(answer) <= len(found):
            return [{**found[int(answer) - 1], "name": name, "pack": pack}]
        if answer in WIRES:
            return [{"name": name, "kind": answer, "pack": pack, **ask_table(WIRES[answer], ask, {}, say)}]
        say("  please choose one of these")


def _yes(text: str) -> bool:
    return text.strip().lower() in {"y", "yes", "1", "true"}
