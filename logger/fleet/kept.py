"""Digests that were computed once: the table of them, in the central database or beside a folder of days."""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence
from typing import TypeAlias

from sqlalchemy import Engine, insert, select

from logger.fleet import address, central

Key: TypeAlias = tuple[str, str, int]
"""Pack, day, and which content of that day a digest was made from."""
Bodies: TypeAlias = tuple[bytes, bytes]
"""A digest as `analysis.digest.dumps` made it: core and detail."""


def have(engine: Engine, bank: str, version: int, prints: Mapping[str, str]) -> set[Key]:
    """Return which digests are there.

    Parameters
    ----------
    engine : Engine
    bank : str
    version : int
        `analysis.digest.VERSION`.
    prints : mapping of str to str
        Fingerprint of each pack's facts; digests made with others do not count.
    """
    g = central.digest
    query = select(g.c.pack, g.c.day, g.c.seq, g.c.facts).where(g.c.bank == bank, g.c.version == version)
    with address.speaking(engine), engine.connect() as conn:
        return {(r.pack, r.day, r.seq) for r in conn.execute(query) if prints.get(r.pack) == r.facts}


def kept(engine: Engine, bank: str, version: int, prints: Mapping[str, str]) -> dict[Key, Bodies]:
    """Return those digests; the parameters are those of `have`."""
    g = central.digest
    query = select(g.c.pack, g.c.day, g.c.seq, g.c.core, g.c.detail, g.c.facts).where(
        g.c.bank == bank, g.c.version == version
    )
    with address.speaking(engine), engine.connect() as conn:
        return {
            (r.pack, r.day, r.seq): (zlib.decompress(r.core), zlib.decompress(r.detail))
            for r in conn.execute(query)
            if prints.get(r.pack) == r.facts
        }


def keep(engine: Engine, bank: str, pack: str, facts: str, made: Sequence[tuple[str, int, Bodies]]) -> None:
    """Add digests of this code's version.

    Parameters
    ----------
    engine : Engine
    bank, pack : str
    facts : str
        Fingerprint of the facts they were made with.
    made : sequence of (str, int, (bytes, bytes))
        Day, which content of it, and the digest.
    """
    from analysis.digest import VERSION

    rows = [
        {"bank": bank, "pack": pack, "day": day, "seq": seq, "version": VERSION, "facts": facts,
         "core": zlib.compress(core, 6), "detail": zlib.compress(detail, 6)}
        for day, seq, (core, detail) in made
    ]  # fmt: skip
    with address.speaking(engine), engine.begin() as conn:
        conn.execute(insert(central.digest), rows)
