"""The recorder: every source at once, on a fixed grid, into the record in batches."""

from __future__ import annotations

import asyncio
import logging
import signal
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from adapters.base import Reading, Subject
from adapters.errors import StoreDamaged
from logger.record import store_clock
from logger.record.store import Store
from logger.record.store_types import Stamped
from logger.recording import recorder_seal
from logger.recording.buffer import LIMIT, Buffer
from logger.recording.clock import Clock, Grid, TimeSource
from logger.recording.clock_system import SystemTime
from logger.recording.recorder_commit import Writer
from logger.recording.recorder_events import Waiting
from logger.recording.recorder_quiet import Quiet
from logger.recording.recorder_source import Feed, Follower

__all__ = ["Feed", "Listener", "Recorder", "Tally"]

log = logging.getLogger(__name__)

CHECK_S = 1.0
"""How often the clock is looked at and the heart beats. [s]"""
SEAL_EVERY_S = 300.0
"""How often days are looked at for sealing. [s]"""
STOP_S = 10.0
"""How long sources may take to let go when stopping. [s]"""


class Listener(Protocol):
    """Somebody who wants to know at once: the live display, warnings, a broker."""

    def reading(self, stamped: Stamped) -> None:
        """A reading was taken."""
        ...

    def source(self, name: str, up: bool, text: str, time_ms: int) -> None:
        """A source began to answer, or ceased to."""
        ...


@dataclass(frozen=True, slots=True)
class Tally:
    """What a run of the recorder did.

    Attributes
    ----------
    offered : int
        Readings taken from sources.
    stored : int
        Readings in the record.
    lost : int
        Readings given up because the disk took none for too long.
    waiting : int
        Readings still in memory.
    """

    offered: int
    stored: int
    lost: int
    waiting: int


class Recorder:
    """Logs until told to stop.

    Parameters
    ----------
    feeds : sequence of Feed
        The sources.
    store : Store
        Open with `logging=True`; see `logger.record.damage.open_for_logging`.
    time_source : TimeSource, optional
        The machine's clocks unless a test passes its own.
    commit_s : float
        Interval between commits: what a power cut can lose. [s]
    buffer_limit : int
        Readings kept in memory while the disk takes none.
    listeners : sequence of Listener
    heartbeat : callable, optional
        Called about every second while all is well.
    seal : bool
        Whether days that are over are sealed, each time in a process of its own.
    """

    def __init__(
        self,
        feeds: Sequence[Feed],
        store: Store,
        *,
        time_source: TimeSource | None = None,
        commit_s: float = 10.0,
        buffer_limit: int = LIMIT,
        listeners: Sequence[Listener] = (),
        heartbeat: Callable[[], None] | None = None,
        seal: bool = True,
    ) -> None:
        self._feeds = tuple(feeds)
        self._time = time_source or SystemTime()
        self._commit_s = commit_s
        self._listeners = tuple(listeners)
        self._heartbeat = heartbeat
        self._seal = seal
        with store.reading() as conn:
            kept = store_clock.known_boot(conn, self._time.boot_id())
            last_ms = store_clock.newest_ms(conn)
        self.clock = Clock(self._time, kept=kept, last_ms=last_ms)
        self._writer = Writer(store, self.clock, Buffer(buffer_limit), self._time.boot_id())
        self._quiet = Quiet(log, self._now_s)
        self._grids: dict[Subject, Grid] = {}
        self._outages: dict[str, Waiting] = {}
        self._is_up: dict[str, bool] = {}
        self._last_ms: dict[str, int] = {}
        self._stopping = asyncio.Event()
        self._lock = asyncio.Lock()

    @property
    def store(self) -> Store:
        """The record; another one after damage."""
        return self._writer.store

    @property
    def trouble(self) -> str:
        """Why the disk takes nothing at present; empty if it does."""
        return self._writer.trouble

    def tally(self) -> Tally:
        """Return what was done so far."""
        buffer = self._writer.buffer
        return Tally(buffer.offered, self._writer.committed, buffer.dropped, len(buffer))

    def stop(self) -> None:
        """Ask the recorder to write what it has and end. May be called twice."""
        self._stopping.set()

    def note(self, kind: str, detail: str, subject: str = "") -> Waiting:
        """Begin an event that lasts; it goes into the record with the next commit."""
        return self._writer.event(kind, detail, subject, open_end=True)

    def note_over(self, waiting: Waiting) -> None:
        """End an event that `note` began."""
        self._writer.close_event(waiting)

    async def run(self, *, signals: bool = False) -> Tally:
        """Log until stopped, or until every source has ended.

        Parameters
        ----------
        signals : bool
            Whether SIGINT and SIGTERM stop it.

        Returns
        -------
        Tally
        """
        loop = asyncio.get_running_loop()
        if signals:
            for number in (signal.SIGINT, signal.SIGTERM):
                loop.add_signal_handler(number, self.stop)
        await asyncio.to_thread(self._writer.begin)
        session = self._writer.event("logging", "the logger ran", open_end=True)
        followers = [
            asyncio.create_task(Follower(feed, self, self._stopping, self._now_s).run())
            for feed in self._feeds
        ]
        house = [
            asyncio.create_task(work)
            for work in (self._commit_often(), self._watch_clock(), self._seal_often())
        ]
        try:
            await self._until_over(followers)
        finally:
            self.stop()
            await _gone(followers, STOP_S)
            await _gone(house, STOP_S)
            self._writer.close_event(session)
            for outage in self._outages.values():
                self._writer.close_event(outage)
            await self._commit()
            if signals:
                for number in (signal.SIGINT, signal.SIGTERM):
                    loop.remove_signal_handler(number)
        return self.tally()

    # what followers tell

    def took(self, feed: Feed, reading: Reading) -> None:
        """Stamp a reading and put it into the buffer."""
        subject = reading.subject
        if reading.time_ms is None:
            grid = self._grids.setdefault(subject, Grid(round(feed.period_s * 1000)))
            time_ms = grid.place(self.clock.stamp(reading.monotonic_s))
            provisional = self._writer.boot if self.clock.provisional else None
        else:
            time_ms, provisional = reading.time_ms, None
        stamped = Stamped(subject, time_ms, reading.values, provisional)
        self._last_ms[feed.name] = time_ms
        self._writer.buffer.put(stamped)
        for listener in self._listeners:
            listener.reading(stamped)

    def up(self, feed: Feed) -> None:
        """End the source's outage, if there is one."""
        if self._is_up.get(feed.name):
            return
        self._is_up[feed.name] = True
        outage = self._outages.pop(feed.name, None)
        text = f"{feed.name}: answers ({feed.adapter.place})"
        if outage is not None:
            self._writer.close_event(outage)
            text = f"{feed.name}: answers again after {(self.clock.now_ms() - outage.start_ms) / 1000:.0f} s"
        self._quiet.say(f"{feed.name}: answers", logging.INFO, "%s", text)
        self._tell(feed, text, up=True)

    def down(self, feed: Feed, cause: str) -> None:
        """Begin an outage, unless one lasts."""
        if feed.name in self._outages:
            return
        self._is_up[feed.name] = False
        start = self._last_ms.get(feed.name, self.clock.now_ms())
        self._outages[feed.name] = self._writer.event("outage", cause, feed.name, start, open_end=True)
        line = "%s: %s; trying again"
        self._quiet.say(f"{feed.name}: outages", logging.WARNING, line, feed.name, cause)
        self._tell(feed, cause, up=False)

    def identity(self, feed: Feed, texts: Mapping[str, str]) -> None:
        """Keep what the pack said about itself."""
        for subject in feed.adapter.subjects:
            self._writer.identity(subject.name, feed.name, texts)

    def dropped(self, feed: Feed, channel: str, reason: str) -> None:
        """Note that a value was dropped."""
        log.warning("%s: %s dropped: %s", feed.name, channel, reason)
        self._writer.event("dropped", f"{channel}: {reason}", feed.name)

    def remark(self, feed: Feed, text: str) -> None:
        """Note an adapter's complaint."""
        log.warning("%s: %s", feed.name, text)
        self._writer.event("source", text, feed.name)

    def _now_s(self) -> float:
        return self.clock.now_ms() / 1000

    def _tell(self, feed: Feed, text: str, *, up: bool) -> None:
        for listener in self._listeners:
            listener.source(feed.name, up, text, self.clock.now_ms())

    # house-keeping

    async def _until_over(self, followers: list[asyncio.Task[None]]) -> None:
        stopped = asyncio.create_task(self._stopping.wait())
        ended = asyncio.gather(*followers)
        await asyncio.wait((stopped, ended), return_when=asyncio.FIRST_COMPLETED)
        stopped.cancel()

    async def _commit(self) -> bool:
        async with self._lock:
            return await asyncio.to_thread(self._writer.commit)

    async def _commit_often(self) -> None:
        while not await self._stopped_within(self._commit_s):
            await self._commit()

    async def _watch_clock(self) -> None:
        while not await self._stopped_within(CHECK_S):
            if self._heartbeat is not None:
                self._heartbeat()
            change = self.clock.check()
            if change is None:
                continue
            log.warning("clock: %s", change.detail)
            if change.kind != "clock_set":
                self._writer.event(change.kind, change.detail, start_ms=change.at_ms)
                continue
            for grid in self._grids.values():  # before the next reading is placed by the new time
                grid.move(change.shift_ms)
            async with self._lock:  # no batch is on its way while stamps move
                self._writer.settle(change)

    async def _seal_often(self) -> None:
        while self._seal:
            try:
                now_ms = self.clock.now_ms()
                if await asyncio.to_thread(recorder_seal.anything_due, self.store, now_ms):
                    for line in await recorder_seal.seal_beside(self.store.address, now_ms):
                        log.info(line)
                        self._writer.event("sealed" if "sealed:" in line else "sealing", line)
            except StoreDamaged as error:
                async with self._lock:
                    await asyncio.to_thread(self._writer.replace_record, error)
            except Exception as error:
                self._quiet.say("sealing", logging.ERROR, "sealing failed; it is tried again", cause=error)
            if await self._stopped_within(SEAL_EVERY_S):
                return

    async def _stopped_within(self, seconds: float) -> bool:
        try:
            await asyncio.wait_for(self._stopping.wait(), seconds)
        except TimeoutError:
            return False
        return True


async def _gone(tasks: list[asyncio.Task[None]], seconds: float) -> None:
    """Wait for tasks to end; cancel those that do not."""
    if not tasks:
        return
    _, late = await asyncio.wait(tasks, timeout=seconds)
    for task in late:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
