"""The questions of `bankbook setup`, in plain words, and how answers are asked for."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol
from zoneinfo import ZoneInfo


class Asker(Protocol):
    """Somebody who puts a question and brings back a text; empty means the default, or nothing."""

    def __call__(self, question: str, default: str = "") -> str:
        """Ask one question."""
        ...


@dataclass(frozen=True, slots=True)
class Question:
    """One question about a table of bank.toml.

    Attributes
    ----------
    key : str
        Where the answer goes; "warranty.years" for a table in the table.
    text : str
        The question.
    read : callable
        Turns the text into the value, or raises ValueError with what is wrong.
    default : str
        Offered; empty if the question may be passed over.
    """

    key: str
    text: str
    read: Callable[[str], Any]
    default: str = ""


def a_number(text: str) -> float:
    """Read a number, with comma or point.

    Raises
    ------
    ValueError
        If it is none.
    """
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        raise ValueError("please give a number") from None
    return int(value) if value.is_integer() else value


def a_count(text: str) -> int:
    """Read a whole number.

    Raises
    ------
    ValueError
        If it is none.
    """
    value = a_number(text)
    if value != int(value):
        raise ValueError("please give a whole number")
    return int(value)


def a_zone(text: str) -> str:
    """Read the name of a time zone.

    Raises
    ------
    ValueError
        If there is none of that name.
    """
    try:
        return ZoneInfo(text).key
    except (KeyError, ValueError, OSError):
        raise ValueError("there is no such time zone; a name is like Europe/Vienna") from None


def machine_zone(link: Path = Path("/etc/localtime")) -> str:
    """Return this machine's time zone by name, else "UTC"."""
    target = os.path.realpath(link)
    name = target.split("/zoneinfo/", 1)[1] if "/zoneinfo/" in target else "UTC"
    try:
        return ZoneInfo(name).key
    except (KeyError, ValueError, OSError):
        return "UTC"


SITE = (
    Question("name", "What shall the place be called in reports?", str, "bank"),
    Question("timezone", "Which time zone is it in?", a_zone),
)
PACK = (
    Question("name", "A short name for this pack", str),
    Question("cells", "How many cells in series does it have?", a_count, "16"),
    Question("rated_ah", "Rated capacity on its label [Ah]", a_number, "280"),
    Question("temps", "How many temperature sensors does it report?", a_count, "4"),
    Question("cell_high_trip_v", "Cell voltage at which it stops charging [V]", a_number, "3.65"),
    Question("cell_low_trip_v", "Cell voltage at which it stops discharging [V]", a_number, "2.5"),
    Question("heater_w", "Power of its heater [W], nothing if it has none", a_number),
    Question("installed", "In service since (YYYY-MM-DD), nothing if you do not know", str),
    Question("warranty.start_day", "From your own papers: warranty from (YYYY-MM-DD)", str),
    Question("warranty.years", "  years", a_number),
    Question("warranty.capacity_fraction", "  capacity promised at its end (0 to 1)", a_number),
    Question("warranty.throughput_wh", "  energy throughput promised [Wh]; 30 MWh is 30e6", a_number),
    Question("warranty.cycles", "  cycles promised", a_number),
)
WIRES: dict[str, tuple[Question, ...]] = {
    "modbus-rtu": (
        Question("port", "Serial port; best a name under /dev/serial/by-id or /dev/bankbook-…", str),
        Question("baud", "Speed [bit/s]", a_count, "9600"),
        Question("unit", "Unit number of the pack", a_count, "1"),
        Question("map", "Register map: a .toml file beside bank.toml, or a shipped name", str),
    ),
    "modbus-tcp": (
        Question("host", "Address of the gateway", str),
        Question("port", "Its port", a_count, "502"),
        Question("unit", "Unit number of the pack", a_count, "1"),
        Question("map", "Register map: a .toml file beside bank.toml, or a shipped name", str),
    ),
    "sunspec-tcp": (
        Question("host", "Address of the battery or gateway", str),
        Question("port", "Its port", a_count, "502"),
        Question("unit", "Unit number", a_count, "1"),
    ),
    "can": (
        Question("interface", "Kind of CAN interface (socketcan, slcan, socketcand)", str, "socketcan"),
        Question("channel", "Its name", str, "can0"),
        Question(
            "binding", "Binding: a .toml file beside bank.toml, or a shipped name", str, "common-closed-loop"
        ),
        Question("database", "Its DBC or KCD file, nothing for a shipped binding", str),
    ),
}


def ask_table(
    questions: Sequence[Question], ask: Asker, defaults: dict[str, str], say: Callable[[str], None]
) -> dict[str, Any]:
    """Ask about one table until every answer can be read.

    Parameters
    ----------
    questions : sequence of Question
    ask : Asker
        Puts the questions.
    defaults : dict of str to str
        Defaults that depend on what is known, by key.
    say : callable
        Told what is wrong with an answer.

    Returns
    -------
    dict
        Values by key; what was passed over is missing.
    """
    table: dict[str, Any] = {}
    for question in questions:
        value = _ask_until_read(question, ask, defaults.get(question.key, question.default), say)
        if value is None:
            continue
        *outer, key = question.key.split(".")
        where = table
        for name in outer:
            where = where.setdefault(name, {})
        where[key] = value
    return table


def _ask_until_read(question: Question, ask: Asker, default: str, say: Callable[[str], None]) -> Any:
    while True:
        text = ask(question.text, default).strip()
        if not text:
            return None
        try:
            return question.read(text)
        except ValueError as exc:
            say(f"  {exc}")
