"""What a record does hold, for whoever asked for something that it does not."""

from __future__ import annotations

from typing import TYPE_CHECKING

from adapters.base import Subject

if TYPE_CHECKING:
    from logger.config import Config
    from logger.record.store import Store

FEED = "run `bankbook log` or `bankbook import`"


def instead(store: Store, config: Config) -> str:
    """Say which readings there are when a configured pack has none where it was looked for, and what to do.

    Parameters
    ----------
    store : Store
    config : Config
        Whose packs were asked for.
    """
    found = {}
    for known in store.subjects():
        days = store.days(Subject(known.name, known.kind))
        if days:
            found[(known.kind, known.name)] = f"{known.kind} {known.name} from {days[0]} to {days[-1]}"
    ours = [said for (kind, name), said in found.items() if kind == "pack" and name in config.pack_names]
    if ours:
        return f"it has {', '.join(ours)}: name a day of it"
    others = [said for (kind, _), said in found.items() if kind == "pack"]
    if others:
        return (
            f"it has {', '.join(others)}, which {config.path.name} does not name: add a [[pack]] of that name"
        )
    if found:
        return f"it has only {', '.join(found.values())}, and a report needs a pack: {FEED} --pack NAME"
    return f"the record is empty: {FEED}"
