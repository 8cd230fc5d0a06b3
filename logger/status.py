"""How the record is doing: recording or not, how old, how full the disk, what stands."""

from __future__ import annotations

import fcntl
import os
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from adapters.base import Subject
from logger.now import age

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from logger.config import Config
    from logger.record.store import Store
    from logger.record.store_clock import Unsure

FULL_BYTES = 4_000_000
"""With less room than this a disk counts as full when nothing new gets into the record. [byte]"""
LATE_S = 120.0
"""Age of the newest reading from which a pack counts as silent, beyond the commit interval. [s]"""
OUTAGES_SHOWN = 5


@dataclass(frozen=True, slots=True)
class PackState:
    """One pack in the record.

    Attributes
    ----------
    name : str
    newest_s : float or None
        Newest reading, UTC epoch seconds. [s]
    age_s : float or None
        Its age. [s]
    days : int
        Local days with readings.
    first_day, last_day : str or None
    """

    name: str
    newest_s: float | None
    age_s: float | None
    days: int
    first_day: str | None
    last_day: str | None


@dataclass(frozen=True, slots=True)
class State:
    """Everything `bankbook status` says.

    Attributes
    ----------
    site, timezone, record : str
    logging : bool
        Whether a logger holds the record.
    packs : tuple of PackState
    sealed_days, readings : int
        Sealed days of all subjects, and their readings.
    record_bytes, free_bytes : int or None
        Size of the record and free space on its disk. [bytes]
    years_left : float or None
        Years until the disk is full at the record's own pace; None if it is too young to tell.
    findings : mapping of str to int
        Kept findings by severity.
    open_events : tuple of str
        What lasts now: outages, warnings, an unsure clock.
    troubles : tuple of str
        Why it is not well; empty if it is.
    """

    site: str
    timezone: str
    record: str
    logging: bool
    packs: tuple[PackState, ...]
    sealed_days: int
    readings: int
    record_bytes: int | None
    free_bytes: int | None
    years_left: float | None
    findings: dict[str, int]
    open_events: tuple[str, ...]
    troubles: tuple[str, ...]

    @property
    def well(self) -> bool:
        """Whether nothing needs attention."""
        return not self.troubles

    def lines(self) -> list[str]:
        """Say it in five lines, and one more for each trouble."""
        packs = "; ".join(
            f"{p.name} {p.days} days, newest {age(p.age_s) + ' ago' if p.age_s is not None else 'none'}"
            for p in self.packs
        )
        size = "" if self.record_bytes is None else f", {self.record_bytes / 1e6:,.1f} MB"
        free = "" if self.free_bytes is None else f", {self.free_bytes / 1e9:,.1f} GB free"
        left = "" if self.years_left is None else f", enough for {self.years_left:,.0f} years at this pace"
        counted = ", ".join(
            f"{n} to {s}" if s != "note" else f"{n} noted" for s, n in self.findings.items() if n
        )
        doing = "recording" if self.logging else "NOT recording"
        lasting = "; ".join(self.open_events) or "nothing lasting"
        return [
            f"{self.site}: {doing}; days end at midnight in {self.timezone}",
            f"readings: {packs}",
            f"record: {self.record}{size}, {self.sealed_days} sealed days{free}{left}",
            f"findings kept: {counted or 'none'}",
            f"now: {lasting}",
            *(f"! {trouble}" for trouble in self.troubles),
        ]


def state_of(config: Config, now_s: float) -> State:
    """Look at the record of a configuration.

    Raises
    ------
    StoreError
        If there is no record, or it cannot be read.
    """
    from logger.record.opening import open_record

    with open_record(config) as store:
        return _state(store, config, now_s)


def logger_runs(database: str) -> bool:
    """Whether some logger holds the record's lock. False for a database server, where none can be seen."""
    try:
        file = os.open(f"{database}.lock", os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError:
        return True
    else:
        return False
    finally:
        os.close(file)


def _state(store: Store, config: Config, now_s: float) -> State:
    from logger.record.sealing_index import sealed_bytes
    from logger.record.store_clock import unsure
    from logger.record.store_engine import is_url
    from logger.record.store_space import space

    packs = tuple(_pack(store, name, now_s) for name in config.pack_names)
    with store.reading() as conn:
        days, readings, _ = sealed_bytes(conn)
        unknown = unsure(conn)
    logging = logger_runs(config.database)
    room = None if is_url(config.database) else space(store)
    free = None if room is None else room.free_bytes
    counted = {"act": 0, "watch": 0, "note": 0}
    for finding in store.findings():
        counted[finding.severity] += 1
    open_events = tuple(
        f"{e.kind.replace('_', ' ')} {e.subject}: {e.detail}" for e in store.events() if e.end_ms is None
    )
    return State(
        site=config.site.name, timezone=config.site.timezone, record=config.record_shown,
        logging=logging, packs=packs,
        sealed_days=days, readings=readings,
        record_bytes=None if room is None else room.record_bytes + room.wal_bytes, free_bytes=free,
        years_left=None if room is None or room.days_left is None else room.days_left / 365.25,
        findings=counted,
        open_events=open_events[-OUTAGES_SHOWN:],
        troubles=(
            *_troubles(config, packs, free, logging=logging),
            *_clock_trouble(unknown, config.zone, now_s),
        ),
    )  # fmt: skip


def _pack(store: Store, name: str, now_s: float) -> PackState:
    days = store.days(Subject(name))
    latest = store.latest(Subject(name))
    newest_ms = None if latest is None else latest.time_ms
    if newest_ms is None and days:
        newest_ms = max((s.last_ms for s in store.sealed_days(name)), default=None)
    newest_s = None if newest_ms is None else newest_ms / 1000
    return PackState(
        name, newest_s, None if newest_s is None else now_s - newest_s, len(days),
        days[0] if days else None, days[-1] if days else None,
    )  # fmt: skip


def _troubles(config: Config, packs: tuple[PackState, ...], free: int | None, *, logging: bool) -> list[str]:
    out = []
    if config.source and not logging and "://" not in config.database:
        out.append("no logger runs: start it with `bankbook log` or `systemctl start bankbook`")
    fed = {s.pack for s in config.source if s.pack}
    limit = LATE_S + config.record.commit_s
    silent = [p for p in packs if logging and p.name in fed and (p.age_s is None or p.age_s > limit)]
    refuses = _disk_refuses(config, free) if silent else None
    if refuses:
        out.append(f"{refuses}: the newest readings wait in the logger's memory and are lost if it stops")
    else:
        out += [
            f"pack {p.name} gives no readings: see its cable, its power and its source in bank.toml"
            for p in silent
        ]
    out += [
        f"the newest reading of pack {p.name} lies in the future: is this machine's clock right?"
        for p in packs
        if p.age_s is not None and p.age_s < -limit
    ]
    if free is not None and free < config.watch.disk_free_mb * 1e6:
        out.append(f"only {free / 1e6:,.0f} MB left on the disk: make room")
    return out


def _disk_refuses(config: Config, free: int | None) -> str | None:
    """Why the disk takes nothing new, if it does not."""
    if free is None:
        return None
    if os.statvfs(Path(config.database).parent).f_flag & os.ST_RDONLY:
        return "the record's disk is read-only"
    return "the record's disk is full" if free < FULL_BYTES else None


def _clock_trouble(unknown: Unsure, zone: ZoneInfo, now_s: float) -> list[str]:
    """Say which days wait for a clock that is known to be right."""
    if not unknown.readings:
        return []
    first, last = (
        datetime.fromtimestamp(ms / 1000, zone).date() for ms in (unknown.first_ms, unknown.last_ms)
    )
    if unknown.clock_known:
        said = (
            f"the times of {unknown.readings:,} readings from {first} to {last} were never known to be "
            "right: those days are sealed as they are, 14 days late"
        )
    else:
        waiting = first < datetime.fromtimestamp(now_s, zone).date()
        over = f"; days from {first} on stay unsealed until it is, 14 days at most" if waiting else ""
        said = (
            f"the clock is not known to be right, so times are provisional{over}: connect the network, "
            'fit a clock chip, or write clock = "trusted" in [record]'
        )
    return [said]
