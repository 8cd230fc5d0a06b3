"""Who a pack is: as the owner entered it from the label, and as the pack says itself."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from logger.record.store_identity import ReadIdentity
    from logger.settings import Pack

WITHHELD = "(withheld)"
ENTERED_NOT = "not entered"
READ_NOT = "not read: no source gives it"
NAMES = {"serial": "Serial number", "model": "Model", "maker": "Maker", "version": "Version of its program"}
"""How the usual texts are called; others keep the name of their map."""

Row = tuple[str, str, str]


def identity_rows(
    pack: Pack, read: Sequence[ReadIdentity], zone: ZoneInfo, *, redact: bool = False
) -> tuple[Row, ...]:
    """What, as entered, as read; where several texts were read of one name, each with its days.

    Parameters
    ----------
    pack : Pack
        As configured.
    read : sequence of ReadIdentity
        Of this pack, oldest first.
    zone : ZoneInfo
        For the days.
    redact : bool
        Withhold every serial number.
    """
    entered = {"serial": pack.serial, "model": pack.model}
    rows: list[Row] = []
    for name in dict.fromkeys(("serial", "model", *(r.name for r in read))):
        told = [r for r in read if r.name == name]
        ours = entered.get(name)
        if redact and is_serial(name):
            rows.append((_called(name), WITHHELD if ours else ENTERED_NOT, WITHHELD if told else READ_NOT))
            continue
        said = "; ".join(_dated(r, zone, alone=len(told) == 1) for r in told)
        rows.append((_called(name), ours or (ENTERED_NOT if name in entered else "–"), said or READ_NOT))
    return tuple(rows)


def differing(pack: Pack, read: Sequence[ReadIdentity]) -> tuple[str, ...]:
    """Sentences about what was entered and what is read now, where the two are not the same."""
    out = []
    for name, ours in (("serial", pack.serial), ("model", pack.model)):
        last = [r.value for r in read if r.name == name][-1:]
        if ours and last and _bare(ours) != _bare(last[0]):
            what = NAMES[name].lower()
            out.append(f"The {what} read from pack {pack.name} is not the one entered from its label.")
    changed = sorted({r.name for r in read if len({o.value for o in read if o.name == r.name}) > 1})
    out += [f"Pack {pack.name} has given more than one {_called(name).lower()}." for name in changed]
    return tuple(out)


def is_serial(name: str) -> bool:
    """Whether a text is a serial number of something."""
    return "serial" in name.lower()


def _called(name: str) -> str:
    return NAMES.get(name, name.replace("_", " ").capitalize())


def _dated(one: ReadIdentity, zone: ZoneInfo, *, alone: bool) -> str:
    first, last = (
        f"{datetime.fromtimestamp(ms / 1000, zone):%Y-%m-%d}" for ms in (one.first_ms, one.last_ms)
    )
    span = f"{first}" if first == last else f"{first} to {last}"
    return f"{one.value} (first read {first})" if alone else f"{one.value} ({span})"


def _bare(text: str) -> str:
    """Letters and digits only: labels and packs space and hyphenate differently."""
    return re.sub(r"[^0-9a-z]", "", text.lower())
