"""`bankbook log`: the recorder with everything around it: warnings, messages, broker, service manager."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from adapters.errors import ConfigError, SourceError, StoreError
from logger.alerts.alarms import Alarms
from logger.alerts.bit_names import of_adapters
from logger.alerts.notify import Notifier, ways_out
from logger.alerts.watch import Watcher
from logger.documents.daily import LOOK_S as DAILY_LOOK_S
from logger.documents.daily import Daily, process
from logger.record.opening import check_place
from logger.recording.clock_system import SystemTime
from logger.recording.recorder import Feed, Recorder, Tally
from logger.recording.sd_notify import notify

if TYPE_CHECKING:
    from logger.alerts.mqtt import Publisher
    from logger.config import Config
    from logger.record.store import Store

log = logging.getLogger(__name__)

LOOK_S = 5.0
"""How often silence, disk and clock are looked at. [s]"""
GIVE_UP_S = 15.0
"""How long to wait for a first answer when none of the sources is there. [s]"""


def run(
    config: Config, *, seconds: float | None = None, keep_trying: bool = False, verbose: bool = False
) -> None:
    """Log until stopped.

    Parameters
    ----------
    config : Config
        What to log, and where to.
    seconds : float, optional
        Stop by itself after so long. [s]
    keep_trying : bool
        Go on although no source has ever answered; otherwise give up after a while.
    verbose : bool
        Say more.

    Raises
    ------
    ConfigError
        If there is nothing to log, or a map does not fit.
    StoreError
        If the record is another logger's, or cannot be opened.
    SourceError
        If no source answers and `keep_trying` is not set.
    """
    speak(verbose=verbose)
    feeds = feeds_of(config)
    store = open_for_logging(config)
    try:
        tally = asyncio.run(_run(config, store, feeds, seconds, keep_trying=keep_trying))
    finally:
        notify("STOPPING=1")
    lost = f", {tally.lost:,} lost while the disk took none" if tally.lost else ""
    log.info("stopped: %s readings taken, %s stored%s", f"{tally.offered:,}", f"{tally.stored:,}", lost)


def feeds_of(config: Config) -> list[Feed]:
    """Make the adapters of all sources; opens nothing.

    Raises
    ------
    ConfigError
        If there is none, or a map or binding is missing or wrong.
    """
    from adapters.registry import make

    sources = config.sources()
    if not sources:
        raise ConfigError(
            f"{config.path}: there is no [[source]], so nothing to log",
            "add one (`bankbook probe` proposes it), or use `bankbook import`",
        )
    return [Feed(s.name, make(s), s.period_s) for s in sources]


def open_for_logging(config: Config) -> Store:
    """Open the record as its one logger; a damaged one is moved aside and told."""
    from logger.record import damage
    from logger.record.opening import enter

    if "://" not in config.database:
        check_place(config, must_exist=False)
    store, aside = damage.open_for_logging(config.database, config.site.timezone)
    if aside is not None:
        detail = f"the record was damaged; it is kept as {aside.name}, and a new one was begun"
        log.error(
            "%s — bring back what is in it with: bankbook salvage %s into %s", detail, aside, config.database
        )
        store.event("damage", detail)
    return enter(store, config)


def speak(*, verbose: bool) -> None:
    """Set up log lines: with the journal's levels under a service manager, with the time by hand."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(
        _Journal()
        if "JOURNAL_STREAM" in os.environ
        else logging.Formatter("%(asctime)s %(message)s", "%H:%M:%S")
    )
    logging.basicConfig(level=logging.WARNING, handlers=[handler], force=True)
    logging.getLogger("logger").setLevel(logging.DEBUG if verbose else logging.INFO)
    for chatty in ("pymodbus", "can", "asyncio"):
        logging.getLogger(chatty).setLevel(logging.WARNING if verbose else logging.CRITICAL)


class _Journal(logging.Formatter):
    """Prefixes lines with the journal's level, as sd-daemon(3) has it."""

    def format(self, record: logging.LogRecord) -> str:
        level = 3 if record.levelno >= logging.ERROR else 4 if record.levelno >= logging.WARNING else 6
        return f"<{level}>{record.getMessage()}"


class Answers:
    """Remembers which sources have ever answered, and what the others said."""

    def __init__(self, names: list[str]) -> None:
        self.silent = dict.fromkeys(names, "no answer yet")
        self.heard = False

    def reading(self, _stamped: object) -> None:
        """Take a reading as a sign of life."""
        self.heard = True

    def source(self, name: str, up: bool, text: str, _time_ms: int) -> None:
        """Keep the cause of a silence."""
        if not up:
            self.silent[name] = text


async def _run(
    config: Config, store: Store, feeds: list[Feed], seconds: float | None, *, keep_trying: bool
) -> Tally:
    subjects = [s.name for feed in feeds for s in feed.adapter.subjects]
    names = of_adapters(feed.adapter for feed in feeds)
    watcher = Watcher({n: config.pack_facts(n) for n in config.pack_names}, config.watch, subjects, names)
    notifier = Notifier(ways_out(config.watch, config.folder), config.watch.notify_from)
    publisher = _publisher(config)
    alarms = Alarms(watcher if config.watch.enabled else None, notifier, publisher)
    answers = Answers([feed.name for feed in feeds])
    recorder = Recorder(
        feeds, store, time_source=SystemTime(user_trusts=config.record.clock == "trusted"),
        commit_s=config.record.commit_s, buffer_limit=config.record.buffer_rows,
        listeners=(answers, alarms), heartbeat=Heart(),
    )  # fmt: skip
    alarms.recorder = recorder
    notifier.start()
    daily = Daily(config.pack_names, process(str(config.path)), notifier, publisher)
    daily.begin(store)
    beside = [
        asyncio.create_task(_look(recorder, alarms, config)),
        asyncio.create_task(_look_daily(recorder, daily)),
    ]
    if seconds is not None:
        beside.append(asyncio.create_task(_stop_after(recorder, seconds)))
    if not keep_trying:
        beside.append(asyncio.create_task(_give_up(recorder, answers)))
    try:
        tally = await recorder.run(signals=True)
    finally:
        for task in beside:
            task.cancel()
        notifier.close()
        if publisher is not None:
            publisher.close()
        recorder.store.close()
    if not answers.heard and not keep_trying:
        raise SourceError(
            "no source answered: " + "; ".join(answers.silent.values()), "--keep-trying would wait"
        )
    return tally


def _publisher(config: Config) -> Publisher | None:
    if config.mqtt is None:
        return None
    from logger.alerts import mqtt

    publisher = mqtt.Publisher(config.mqtt, config.folder)
    publisher.start()
    return publisher


class Heart:
    """Tells the service manager that all is well; the first beat says that logging has begun."""

    def __init__(self, tell: Callable[..., bool] = notify) -> None:
        self._tell = tell
        self._begun = False

    def __call__(self) -> None:
        """Beat once."""
        if self._begun:
            self._tell("WATCHDOG=1")
        else:
            self._begun = self._tell("READY=1", "STATUS=logging") or True


async def _look(recorder: Recorder, alarms: Alarms, config: Config) -> None:
    """Look at what no reading tells, for ever."""
    while True:
        await asyncio.sleep(LOOK_S)
        free = None
        if "://" not in config.database:
            with contextlib.suppress(OSError):
                free = shutil.disk_usage(Path(config.database).parent).free
        alarms.tick(recorder.clock.now_ms() / 1000, free, clock_trusted=not recorder.clock.provisional)
        tally = recorder.tally()
        waiting = f", {tally.waiting:,} waiting: {recorder.trouble}" if recorder.trouble else ""
        notify(f"STATUS={tally.stored:,} readings stored{waiting}")


async def _look_daily(recorder: Recorder, daily: Daily) -> None:
    """Look now and then whether another day was sealed, for ever."""
    while True:
        await asyncio.sleep(DAILY_LOOK_S)
        try:
            await daily.look(recorder.store, recorder.clock.now_ms() / 1000)
        except StoreError as exc:
            log.warning("findings: %s", exc)


async def _stop_after(recorder: Recorder, seconds: float) -> None:
    await asyncio.sleep(seconds)
    recorder.stop()


async def _give_up(recorder: Recorder, answers: Answers) -> None:
    """Stop if nothing has answered within a while; more patience only where it was asked for."""
    await asyncio.sleep(GIVE_UP_S)
    if not answers.heard:
        recorder.stop()
