"""The commissioning check, and the same look today: what was right then must be right now."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.report.dates import long_day
from analysis.report.value import Block, Section, Statement, Table

TITLE = "Since the commissioning check"


@dataclass(frozen=True, slots=True)
class Look:
    """One thing that was looked at when the bank was commissioned, and again now.

    Attributes
    ----------
    pack, what : str
    then, now : str
        What was seen.
    was_good, is_good : bool or None
        None where it could not be told.
    """

    pack: str
    what: str
    then: str
    now: str
    was_good: bool | None
    is_good: bool | None


@dataclass(frozen=True, slots=True)
class Commissioning:
    """A commissioning check beside the newest readings.

    Attributes
    ----------
    day : str
        Local date of the check.
    newest : str
        When the readings are from that stand beside it, in words.
    looks : tuple of Look
    """

    day: str
    newest: str
    looks: tuple[Look, ...]


def commissioning_section(known: Commissioning | None) -> Section:
    """What was seen at commissioning beside what is seen now; without such a check, how to get one."""
    if known is None:
        text = (
            "No commissioning check is on record. “bankbook setup --check-only” makes one in a few seconds, "
            "and later check-ups compare with it."
        )
        return Section("commissioned", TITLE, (Statement(text, "unknown"),))
    worse = [look for look in known.looks if look.was_good and look.is_good is False]
    never = [look for look in known.looks if look.was_good is False and look.is_good is False]
    lines: list[Block] = [
        Statement(f"Was in order on {long_day(known.day)} and is not now: {x.what}; {x.now}.", "act", _who(x))
        for x in worse
    ]
    lines += [
        Statement(f"Was not in order at commissioning and is not yet: {x.what}; {x.now}.", "act", _who(x))
        for x in never
    ]
    if not lines:
        text = f"Nothing that was in order on {long_day(known.day)} is out of order now."
        lines.append(Statement(text, "good"))
    head = ("Pack", "What", f"On {long_day(known.day)}", f"Now, {known.newest}")
    rows = tuple((x.pack, x.what[:1].upper() + x.what[1:], x.then, x.now) for x in known.looks)
    return Section("commissioned", TITLE, (*lines, Table(head, rows)))


def _who(look: Look) -> str:
    return f"Pack {look.pack}"
