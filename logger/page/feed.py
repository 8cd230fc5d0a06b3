"""Live values for everybody who listens: the record is asked once a second, and only while somebody does."""

from __future__ import annotations

import asyncio
import json
import logging
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass, field

log = logging.getLogger(__name__)

LISTENERS = 16
"""So many connections are served at once; more are asked to come back."""
LIVE_S, TODAY_S = 1.0, 30.0
"""Seconds between values, and between curves. [s]"""


def event(name: str, payload: object) -> str:
    r"""One server-sent event.

    >>> event("live", [1])
    'event: live\ndata: [1]\n\n'
    """
    return f"event: {name}\ndata: {json.dumps(payload, ensure_ascii=False)}\n\n"


@dataclass(slots=True)
class Feed:
    """Shares one reading of the record among all listeners.

    Attributes
    ----------
    live, today : callable
        Make the two payloads; they read the record and run in a thread of their own.
    """

    live: Callable[[], object]
    today: Callable[[], object]
    sleep: Callable[[float], Awaitable[None]] = asyncio.sleep
    _queues: set[asyncio.Queue[str]] = field(default_factory=set)
    _task: asyncio.Task[None] | None = None

    @property
    def full(self) -> bool:
        """Whether no more listeners fit."""
        return len(self._queues) >= LISTENERS

    async def listen(self) -> AsyncIterator[str]:
        """Yield events until the listener goes away; a slow one misses values."""
        queue: asyncio.Queue[str] = asyncio.Queue(maxsize=4)
        self._queues.add(queue)
        if self._task is None or self._task.done():
            self._task = asyncio.create_task(self._run())
        try:
            yield "retry: 3000\n\n"
            while True:
                yield await queue.get()
        finally:
            self._queues.discard(queue)

    async def _run(self) -> None:
        since = TODAY_S
        while self._queues:
            try:
                self._give(event("live", await asyncio.to_thread(self.live)))
                if since >= TODAY_S:
                    since = 0.0
                    self._give(event("today", await asyncio.to_thread(self.today)))
            except Exception:
                log.exception("the page could not read the record; it tries again")
            await self.sleep(LIVE_S)
            since += LIVE_S

    def _give(self, text: str) -> None:
        for queue in self._queues:
            if not queue.full():
                queue.put_nowait(text)
