"""From the buffer into the record: batched commits that outlive a full, read-only, busy or corrupt disk."""

from __future__ import annotations

import logging
import time
from collections.abc import Mapping
from dataclasses import replace
from threading import Lock

from adapters.errors import StoreDamaged, StoreError
from logger.record import damage, store_clock, store_write
from logger.record.store import Store
from logger.record.store_identity import note_identity
from logger.record.store_types import Stamped
from logger.recording.buffer import Buffer
from logger.recording.clock import Clock, ClockChange
from logger.recording.recorder_events import EventQueue, Waiting

log = logging.getLogger(__name__)

AT_ONCE = 5000
"""Readings in one transaction while catching up."""
STALL_S = 60.0
"""How long a commit waits for another that the disk holds up. [s]"""
Said = tuple[dict[str, str], int, bool]
"""What a pack said, when [ms UTC], and whether that time is known to be right."""
REMIND_S = 600.0
"""How often trouble that lasts is written to the journal again. [s]"""


class Writer:
    """Takes readings and events; `commit` puts them into the record or keeps them for the next try.

    Parameters
    ----------
    store : Store
        Open for logging.
    clock : Clock
    buffer : Buffer
    boot_id : str
        The machine's present boot.
    """

    def __init__(self, store: Store, clock: Clock, buffer: Buffer, boot_id: str) -> None:
        self.store = store
        self.buffer = buffer
        self.trouble: str = ""
        self.committed = 0
        self.boot = 0
        self._one = Lock()
        self._clock = clock
        self._boot_id = boot_id
        self._events = EventQueue()
        self._settle: list[ClockChange] = []
        self._identities: dict[tuple[str, str], Said] = {}
        self._trouble_since_ms = 0
        self._reminded_s = -REMIND_S

    def begin(self) -> None:
        """Enter this boot, so that provisional readings can name it; end what the last run left open.

        If the disk takes nothing now, `commit` does it later.
        """
        try:
            self._begin()
        except StoreDamaged as error:
            self.replace_record(error)
        except StoreError as error:
            self._note_trouble(error)

    def _begin(self) -> None:
        with self.store.writing() as conn:
            store_write.end_open_events(conn, store_clock.newest_ms(conn))
            self.boot = store_clock.keep_boot(
                conn, self._boot_id, self._clock.offset_ms, self._clock.trust, self._clock.now_ms()
            )

    def event(
        self,
        kind: str,
        detail: str,
        subject: str = "",
        start_ms: int | None = None,
        *,
        open_end: bool = False,
    ) -> Waiting:
        """Take an event; `close_event` ends one that was left open."""
        start = self._clock.now_ms() if start_ms is None else start_ms
        waiting = Waiting(
            kind, detail, subject, start, None if open_end else max(start, self._clock.now_ms())
        )
        self._events.put(waiting)
        return waiting

    def close_event(self, waiting: Waiting) -> None:
        """End an event that was left open."""
        self._events.close(waiting, self._clock.now_ms())

    def identity(self, subject: str, source: str, texts: Mapping[str, str]) -> None:
        """Take what a pack said about itself; the newest word of a source is the one that is kept."""
        now_ms, known = self._clock.now_ms(), not self._clock.provisional
        self._identities[subject, source] = (dict(texts), now_ms, known)

    def settle(self, change: ClockChange) -> None:
        """Take note that the clock is known: everything provisional of this boot moves."""
        self.buffer.settle(change.shift_ms)
        self._identities = {
            who: (texts, at_ms if known else at_ms + change.shift_ms, True)
            for who, (texts, at_ms, known) in self._identities.items()
        }
        self._settle.append(change)

    def commit(self) -> bool:
        """Write what is waiting; return whether all of it is in the record now. Never raises `StoreError`.

        Safe to call from any thread: while another commit is under way on a stalled disk it waits for it,
        and gives up after `STALL_S`.
        """
        if not self._one.acquire(timeout=STALL_S):
            return False
        try:
            self._commit()
        except StoreDamaged as error:
            self.replace_record(error)
            return False
        except StoreError as error:
            self._note_trouble(error)
            return False
        finally:
            self._one.release()
        self._end_trouble()
        return not self._events

    def _commit(self) -> None:
        if not self.boot:
            self._begin()
        while True:
            batch = self.buffer.head(AT_ONCE)
            dropped = self.buffer.dropped
            self._write(batch)
            self.buffer.done(batch, dropped)
            self.committed += len(batch)
            if len(batch) < AT_ONCE:
                return

    def _write(self, batch: list[Stamped]) -> None:
        """Write one batch and every waiting event in one transaction."""
        if not (batch or self._events or self._settle or self._identities):
            return
        numbers = {s: self.store.number(s) for s in {one.subject for one in batch}}
        changes = list(self._settle)
        said = dict(self._identities)
        with self.store.writing() as conn:
            for change in changes:
                number = store_clock.keep_boot(
                    conn, self._boot_id, self._clock.offset_ms, self._clock.trust, change.at_ms
                )
                store_clock.settle_boot(conn, number, change.shift_ms, change.detail, change.at_ms)
            named = [replace(one, provisional=self.boot) if one.provisional == 0 else one for one in batch]
            store_write.add_readings(conn, named, numbers)
            for who, (texts, at_ms, known) in said.items():
                note_identity(conn, *who, texts, at_ms, None if known else self.boot)
            written = self._events.write(conn)
        self._events.done(written)
        del self._settle[: len(changes)]
        for who, one in said.items():
            if self._identities.get(who) is one:
                del self._identities[who]

    def _note_trouble(self, error: StoreError) -> None:
        now = time.monotonic()
        if not self.trouble:
            self._trouble_since_ms = self._clock.now_ms()
        if not self.trouble or now - self._reminded_s >= REMIND_S:
            log.error("%s; %d readings wait in memory", error, len(self.buffer))
            self._reminded_s = now
        self.trouble = str(error)

    def _end_trouble(self) -> None:
        if not self.trouble:
            return
        loss = self.buffer.take_loss()
        lost = "no reading was lost" if loss is None else f"{loss.count} readings were lost"
        detail = f"{self.trouble.split(' — ', maxsplit=1)[0]}; {lost}"
        log.warning("the record can be written again: %s", lost)
        self.event("disk", detail, start_ms=self._trouble_since_ms)
        self.trouble = ""
        self._reminded_s = -REMIND_S

    def replace_record(self, error: StoreDamaged) -> None:
        """Move a corrupt record aside and go on in a new one."""
        try:
            self.store, aside = damage.replace(self.store)
            self._begin()
        except (StoreError, OSError) as again:
            self._note_trouble(again if isinstance(again, StoreError) else StoreError(str(again)))
            return
        log.critical("%s; it is now %s and a new record was begun", error.message, aside.name)
        self._events.forget_numbers()
        self.event("damage", f"the record was corrupt; it was moved to {aside.name} and a new one begun")
