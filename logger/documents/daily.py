"""After days have been sealed: what is found now, in a process of its own, told to who should know.

The logger itself never loads the analysis: it starts `bankbook findings`, which also keeps what it found.
"""

from __future__ import annotations

import asyncio
import json
import logging
import os
import sys
from collections.abc import Awaitable, Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Protocol

from logger.alerts.watch import Alert

if TYPE_CHECKING:
    from logger.alerts.notify import Notifier
    from logger.record.store import Store

log = logging.getLogger(__name__)

LOOK_S = 600.0
"""How often it is looked whether another day was sealed. [s]"""
PATIENCE_S = 1800.0
"""How long computing may take. [s]"""

Found = list[dict[str, Any]]


class Board(Protocol):
    """Where findings are published."""

    def findings(self, pack: str, found: Sequence[Mapping[str, Any]]) -> None:
        """Publish what stands about a pack."""
        ...


class Daily:
    """Computes findings after each night's sealing and tells what is new.

    Parameters
    ----------
    packs : sequence of str
        Packs, and with them the topics of the broker.
    compute : callable
        Returns the findings that stand now, as `bankbook findings --json` prints them.
    notifier : Notifier
        Messages to people, for what is new and worth it.
    board : Board or None
        The user's own broker.
    """

    def __init__(
        self,
        packs: Sequence[str],
        compute: Callable[[], Awaitable[Found]],
        notifier: Notifier,
        board: Board | None = None,
    ) -> None:
        self._packs = packs
        self._compute = compute
        self._notifier = notifier
        self._board = board
        self._sealed: str | None = None
        self._known: set[tuple[str, str, int | None]] = set()

    def begin(self, store: Store) -> None:
        """Take what the record holds already: nothing of it is new."""
        kept = [
            {"kind": f.kind, "pack": f.pack, "cell": f.cell, "severity": f.severity} for f in store.findings()
        ]
        self._known = {_key(f) for f in kept}
        self._sealed = newest_sealed(store)
        self._publish(kept)

    async def look(self, store: Store, now_s: float) -> None:
        """Compute if a day was sealed since the last time."""
        newest = await asyncio.to_thread(newest_sealed, store)
        if newest is None or newest == self._sealed:
            return
        self._sealed = newest
        try:
            found = await self._compute()
        except (OSError, ValueError, TimeoutError) as exc:
            log.warning("findings could not be computed: %s; tried again when the next day is sealed", exc)
            return
        for finding in found:
            if _key(finding) not in self._known:
                self._tell(finding, now_s)
        self._known = {_key(f) for f in found}
        self._publish(found)

    def _tell(self, finding: Mapping[str, Any], now_s: float) -> None:
        where = f"pack {finding['pack']}" + (
            f", cell {finding['cell']}" if finding["cell"] is not None else ""
        )
        text = f"{where}: {finding['meaning']} Check next: {finding['check_next']}"
        log.warning("found: %s (%s): %s", finding["kind"].replace("_", " "), finding["severity"], text)
        if finding["severity"] in {"watch", "act"}:
            self._notifier.send(
                Alert(
                    finding["kind"], finding["pack"], finding["severity"], active=True, time_s=now_s,
                    value=finding["value"] or 0.0, unit=finding["unit"], text=text,
                )
            )  # fmt: skip

    def _publish(self, found: Found) -> None:
        if self._board is not None:
            for pack in (*self._packs, "bank"):
                self._board.findings(pack, [f for f in found if f["pack"] == pack])


def newest_sealed(store: Store) -> str | None:
    """Return the newest sealed day of any subject."""
    return store.newest_day()


def process(config: str) -> Callable[[], Awaitable[Found]]:
    """Return how to compute findings in a process of its own, politely."""

    async def compute() -> Found:
        command = [sys.executable, "-P", "-m", "logger", "findings", "--json", "--config", config]
        running = await asyncio.create_subprocess_exec(
            *command, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE, preexec_fn=_politely
        )
        try:
            out, err = await asyncio.wait_for(running.communicate(), PATIENCE_S)
        except (TimeoutError, asyncio.CancelledError):
            running.kill()
            await running.wait()
            raise
        if running.returncode:
            raise ValueError(err.decode(errors="replace").strip().splitlines()[-1:] or running.returncode)
        found: Found = json.loads(out)
        return found

    return compute


def _politely() -> None:
    os.nice(10)


def _key(finding: Mapping[str, Any]) -> tuple[str, str, int | None]:
    return finding["pack"], finding["kind"], finding["cell"]
