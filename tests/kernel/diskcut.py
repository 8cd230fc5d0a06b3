"""Make the disk that a power cut could have left, from a log of everything the guest wrote.

The emulator's block layer logs every write, flush and discard in order (the format of the Linux kernel's
dm-log-writes target). A disk with a volatile cache may, when power fails, hold any subset of what was
written since the last flush, and the last write torn in the middle. `cut_image` makes one such disk.

References
----------
Linux kernel documentation, "dm-log-writes" (admin-guide/device-mapper/log-writes): layout of the log.
"""

from __future__ import annotations

import random
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

SECTOR = 512
MAGIC = 0x6A736677736872
FLUSH, FUA, DISCARD, MARK, METADATA = 1, 2, 4, 8, 16


@dataclass(frozen=True, slots=True)
class Entry:
    """One logged request: `offset` of its data in the log, `end` where the next begins; 512-byte sectors."""

    sector: int
    sectors: int
    flags: int
    offset: int
    end: int


def entries(log: Path, start: int = SECTOR) -> Iterator[Entry]:
    """Yield the requests in order, from byte `start` of the log, where one must begin.

    Raises
    ------
    ValueError
        If the file is not such a log.
    """
    size = log.stat().st_size
    with log.open("rb") as f:
        magic, _version, _count, sector_size = struct.unpack("<QQQI", f.read(28))
        if magic != MAGIC or sector_size != SECTOR:
            raise ValueError(f"{log} is not a write log with {SECTOR}-byte sectors")
        at = start
        while at + SECTOR <= size:
            f.seek(at)
            sector, sectors, flags, length = struct.unpack("<QQQQ", f.read(32))
            if sectors == 0 and flags == 0:
                return  # the rest was never written
            offset = at + SECTOR
            at = offset + (0 if flags & DISCARD else sectors * SECTOR) + (length if flags & MARK else 0)
            yield Entry(sector, sectors, flags, offset, at)


@dataclass(frozen=True, slots=True)
class Cut:
    """What a cut did: requests replayed, and writes lost or torn after the last flush."""

    replayed: int
    lost: int
    torn: int
    flushes: int


def cut_image(base: Path, log: Path, out: Path, rng: random.Random, *, at: int | None = None) -> Cut:
    """Write to `out` the disk as a cut after request `at` could have left it.

    Parameters
    ----------
    base : pathlib.Path
        The image before the first logged request.
    log, out : pathlib.Path
        The log; the image to write.
    rng : random.Random
        Chooses which unflushed writes survive.
    at : int, optional
        Number of requests that were issued before the cut; all of the log if omitted.

    Returns
    -------
    Cut
    """
    issued = list(entries(log))[:at]
    last_flush = max((i for i, e in enumerate(issued) if e.flags & FLUSH), default=-1)
    out.write_bytes(base.read_bytes())
    lost = torn = 0
    with log.open("rb") as f, out.open("r+b") as g:
        for i, e in enumerate(issued):
            if e.flags & (DISCARD | MARK) or e.sectors == 0:
                continue
            keep = e.sectors
            if i > last_flush and not e.flags & FUA:
                fate = rng.random()
                if fate < 0.4:
                    lost += 1
                    continue
                if fate < 0.5:
                    keep = rng.randrange(e.sectors)
                    torn += 1
            f.seek(e.offset)
            g.seek(e.sector * SECTOR)
            g.write(f.read(keep * SECTOR))
    return Cut(len(issued), lost, torn, sum(1 for e in issued if e.flags & FLUSH))
