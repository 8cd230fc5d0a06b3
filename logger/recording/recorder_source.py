"""Following one source: open, read on the grid, close and open again when it is gone."""

from __future__ import annotations

import asyncio
import logging
import random
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Protocol

from adapters.base import Adapter, Reading
from adapters.errors import BadFrame, BankbookError, SourceLost, SourceTimeout
from logger.recording.recorder_quiet import Quiet

log = logging.getLogger(__name__)

TIMEOUTS = 3
"""Answers missed in a row before the source is closed and opened again."""
FIRST_WAIT_S, LONGEST_WAIT_S = 1.0, 5.0
TELL_S = 3600.0
"""How often the same complaint about dropped values is repeated. [s]"""


@dataclass(frozen=True, slots=True)
class Feed:
    """A source as the recorder is given it.

    Attributes
    ----------
    name : str
        Its name in bank.toml.
    adapter : Adapter
    period_s : float
        Interval between readings; 0 for a source that sets its own pace (a replay). [s]
    """

    name: str
    adapter: Adapter
    period_s: float = 1.0


class Sink(Protocol):
    """What a follower tells its recorder."""

    def took(self, feed: Feed, reading: Reading) -> None:
        """A reading came."""
        ...

    def up(self, feed: Feed) -> None:
        """The source answers, or answers again."""
        ...

    def down(self, feed: Feed, cause: str) -> None:
        """The source does not answer."""
        ...

    def identity(self, feed: Feed, texts: Mapping[str, str]) -> None:
        """The pack said who it is: told once after each opening, and when it says something else."""
        ...

    def dropped(self, feed: Feed, channel: str, reason: str) -> None:
        """A value was dropped because it cannot be right; told once an hour for each channel."""
        ...

    def remark(self, feed: Feed, text: str) -> None:
        """The adapter complains: it cannot keep its period, or misses frames; told once an hour."""
        ...


class Follower:
    """Follows one source until told to stop. Whatever it does, other sources go on.

    Parameters
    ----------
    feed : Feed
    sink : Sink
    stopping : asyncio.Event
    now_s : callable
        The record's time, whose whole periods are the grid. [s]
    """

    def __init__(self, feed: Feed, sink: Sink, stopping: asyncio.Event, now_s: Callable[[], float]) -> None:
        self._feed = feed
        self._sink = sink
        self._stopping = stopping
        self._now_s = now_s
        self._quiet = Quiet(log, now_s)
        self._wait_s = FIRST_WAIT_S
        self._told: dict[str, float] = {}
        self._said: dict[str, str] = {}
        self._heard: dict[str, str] = {}
        self.counts: Counter[str] = Counter()

    async def run(self) -> None:
        """Follow until `stopping` is set or a finite source has ended."""
        while not self._stopping.is_set():
            try:
                await self._feed.adapter.open()
                self._said = {}
                await self._poll()
            except StopAsyncIteration:
                log.info("%s: has ended", self._feed.name)
                return
            except BankbookError as error:  # a wire's, or a map that does not fit what answers
                self._complain(str(error))
            except Exception as error:
                self._quiet.say(
                    f"{self._feed.name}: unexpected",
                    logging.ERROR,
                    "%s: unexpected",
                    self._feed.name,
                    cause=error,
                )
                self._complain(f"unexpected: {error!r}")
            finally:
                await self._close()
            await self._pause(self._wait_s * random.uniform(0.8, 1.2))  # noqa: S311 - spreads retries, no secret
            self._wait_s = min(self._wait_s * 2, LONGEST_WAIT_S)

    async def _poll(self) -> None:
        missed = 0
        while not self._stopping.is_set():
            await self._next_slot()
            if self._stopping.is_set():
                return
            try:
                reading = await self._feed.adapter.read()
            except SourceLost:
                raise
            except (SourceTimeout, BadFrame) as error:
                self.counts[type(error).__name__] += 1
                missed += 1
                if missed >= TIMEOUTS:
                    raise
                continue
            missed = 0
            self._take(reading)
            self._pass_on_complaint()

    def _take(self, reading: Reading) -> None:
        for channel, reason in reading.rejected.items():
            self.counts["dropped"] += 1
            if self._due(channel):
                self._sink.dropped(self._feed, channel, reason)
        if not reading.values:
            return
        self._wait_s = FIRST_WAIT_S
        self.counts["readings"] += 1
        self._sink.up(self._feed)
        self._pass_on_identity()
        self._sink.took(self._feed, reading)

    def _pass_on_identity(self) -> None:
        said: Mapping[str, str] = getattr(self._feed.adapter, "identity", {})
        before, self._heard = self._heard, dict(said)
        # Twice in a row: a text that comes in several frames may be half of one pack and half of another.
        if said and said == before and said != self._said:
            self._said = dict(said)
            self._sink.identity(self._feed, self._said)

    def _pass_on_complaint(self) -> None:
        """Tell of an adapter's own trouble (a period it cannot keep, frames it missed), once an hour."""
        complaint = getattr(self._feed.adapter, "complaint", None)
        if complaint and self._due("complaint"):
            self._sink.remark(self._feed, str(complaint))

    def _due(self, what: str) -> bool:
        """Whether the same complaint was not told within the hour."""
        last = self._told.get(what)
        if last is not None and self._now_s() - last < TELL_S:
            return False
        self._told[what] = self._now_s()
        return True

    def _complain(self, cause: str) -> None:
        self.counts["outages"] += 1
        self._sink.down(self._feed, cause)

    async def _next_slot(self) -> None:
        """Wait for the next instant of the grid; slots missed while reading are not made up for."""
        period = self._feed.period_s
        if period > 0:
            now = self._now_s()
            await self._pause((now // period + 1) * period - now)

    async def _pause(self, seconds: float) -> None:
        try:
            await asyncio.wait_for(self._stopping.wait(), max(seconds, 0.0))
        except TimeoutError:
            return

    async def _close(self) -> None:
        try:
            await self._feed.adapter.close()
        except Exception as error:
            name = self._feed.name
            self._quiet.say(f"{name}: closing", logging.ERROR, "%s: closing failed", name, cause=error)
