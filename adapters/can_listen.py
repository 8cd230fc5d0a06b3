"""Packs heard on a CAN bus."""

from __future__ import annotations

import asyncio
import time

from adapters.assembler import Assembler
from adapters.base import Reading, Subject
from adapters.binding import find_binding, load_binding
from adapters.can_port import CanPort, port_to
from adapters.configs import CanConfig
from adapters.errors import ConfigError, SourceLost, SourceTimeout
from adapters.pace import Pace

LOOK_S = 0.02
"""How often to look for new frames while waiting. [s]"""
QUIET_S = 0.02
"""Silence on the binding's frames that ends a burst. [s]"""
EARLY = 0.8
"""A reading may come after this part of the period at the earliest."""


class CanAdapter:
    """One pack on a CAN bus.

    Parameters
    ----------
    config : CanConfig
        The source.

    Raises
    ------
    MapError
        If binding or database are missing or wrong.
    ConfigError
        If the binding needs requests that the configuration does not allow.
    """

    def __init__(self, config: CanConfig) -> None:
        self._config = config
        paths = find_binding(config.binding, config.database, config.folder)
        self.binding = load_binding(*paths, stale_s=config.stale_s)
        if self.binding.requests and not config.allow_requests:
            raise ConfigError(
                f'source "{config.name}": binding "{self.binding.name}" needs request frames on the bus',
                "say allow_requests = true if that is wanted; nothing is sent otherwise",
            )
        self._assembler = Assembler(self.binding)
        self._port: CanPort | None = None
        self._last_s = float("-inf")
        self.pace = Pace(config.period_s)

    @property
    def identity(self) -> dict[str, str]:
        """What the pack said about itself, as far as its frames came."""
        return self._assembler.identity

    @property
    def subjects(self) -> tuple[Subject, ...]:
        """The pack or witness."""
        return (self._config.subject,)

    @property
    def place(self) -> str:
        """Bus."""
        return f"can {self._config.interface} {self._config.channel}"

    @property
    def channels(self) -> tuple[str, ...]:
        """Channels the binding fills."""
        return self.binding.channels

    @property
    def bit_names(self) -> dict[str, dict[int, str]]:
        """Names of warning and protection bits."""
        return self.binding.bit_names

    @property
    def complaint(self) -> str | None:
        """Frames that were lost because this computer was too slow, in one line; None if none were."""
        dropped = self.dropped
        if not dropped:
            return None
        return f"{self.place}: {dropped} frames lost since it was opened — the computer is too busy"

    @property
    def dropped(self) -> int:
        """Frames that the kernel threw away because we were too slow, since the bus was opened."""
        return 0 if self._port is None else self._port.dropped

    async def open(self) -> None:
        """Open the bus, or join those who listen to it already.

        Raises
        ------
        SourceLost
            If it cannot be opened.
        """
        if self._port is not None:
            return
        requests = self.binding.requests if self._config.allow_requests else ()
        self._assembler = Assembler(self.binding)
        port = port_to(self._config)
        try:
            await port.join(self._assembler, requests)
        except BaseException:
            await port.leave(self._assembler)
            raise
        self._port = port
        self._last_s = time.monotonic()

    async def read(self) -> Reading:
        """Wait for the next round of frames.

        Returns at once if frames came since the last reading and most of a period has passed.

        Raises
        ------
        SourceTimeout
            If no frame of the binding comes.
        SourceLost
            If the bus is gone.
        """
        port = self._alive()
        config = self._config
        began = time.monotonic()
        last_s = self._last_s
        patience_s = max(config.stale_s, 2 * config.period_s)
        await asyncio.sleep(max(0.0, last_s + EARLY * config.period_s - began))
        while not self._assembler.fresh:
            if time.monotonic() - max(began, self._assembler.newest_s) > patience_s:
                raise SourceTimeout(*port.why_silent(self._assembler.keys, patience_s))
            await asyncio.sleep(LOOK_S)
            port = self._alive()
        await self._burst_over()
        now = time.monotonic()
        values, rejected = self._assembler.snapshot(now)
        self._last_s = now
        self.pace.note(now, now)
        return Reading(config.subject, self._assembler.newest_s, values, rejected)

    async def _burst_over(self) -> None:
        """Wait until the round is complete, or the binding's frames pause, but not for long."""
        assembler = self._assembler
        give_up = time.monotonic() + min(0.2 * self._config.period_s, 0.3)
        while not assembler.complete and (now := time.monotonic()) < give_up:
            quiet_s = now - assembler.newest_s
            if not assembler.binding.complete and quiet_s >= QUIET_S:
                return
            await asyncio.sleep(QUIET_S / 2)

    def _alive(self) -> CanPort:
        if self._port is None:
            raise SourceLost(f"{self.place}: not open", "open it first")
        self._port.check()
        return self._port

    async def close(self) -> None:
        """Stop listening. Never raises."""
        if self._port is not None:
            await self._port.leave(self._assembler)
        self._port = None
