"""The commissioning check on the real wires: listen for a while, judge, keep the result as the baseline."""

from __future__ import annotations

import asyncio
import json
import shutil
import time
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from adapters.errors import BadFrame, BankbookError, SourceTimeout
from logger.commissioning.commission import Baseline, Check, Screens, Values, identity, judge, physical

if TYPE_CHECKING:
    from adapters.base import Adapter
    from logger.config import Config

LISTEN_S = 12.0
"""How long each source is listened to. [s]"""
ENOUGH_BYTES = 5e9
"""Free space that lasts for decades at about 2 MB a day and pack. [bytes]"""


def commission(
    config: Config, screens: Screens, *, listen_s: float = LISTEN_S, keep: bool = True
) -> Baseline:
    """Listen to every source of a configuration and judge what comes.

    Parameters
    ----------
    config : Config
    screens : Screens
        What the user reads elsewhere.
    listen_s : float
        How long to listen. [s]
    keep : bool
        Keep the result in the record as the baseline.

    Raises
    ------
    ConfigError
        If a map or binding is missing or wrong.
    StoreError
        If the result cannot be kept.
    """
    from adapters.registry import make

    adapters = [make(source) for source in config.sources()]
    samples, causes, said = asyncio.run(_listen(adapters, listen_s))
    checks: list[Check] = []
    for pack in config.pack:
        facts = config.pack_facts(pack.name)
        seen = samples.get(pack.name, [])
        made = judge(facts, pack.temps, seen, screens)
        if not seen and causes.get(pack.name):
            made = (Check(pack.name, "answers", "bad", causes[pack.name]),)
        checks += made
        who = identity(pack.name, said.get(pack.name, {}), pack.serial)
        checks += [who] if who is not None else []
    for witness in config.witness:
        count = len(samples.get(witness.name, []))
        cause = causes.get(witness.name, "no reading came")
        checks.append(
            Check(
                witness.name, "answers", "good" if count else "open", f"{count} readings" if count else cause
            )
        )
    checks += _house(config)
    day = datetime.fromtimestamp(time.time(), config.zone).date().isoformat()
    last = {p.name: samples[p.name][-1] for p in config.pack if samples.get(p.name)}
    baseline = Baseline(config.site.name, day, tuple(checks), last)
    if keep:
        _keep(config, baseline)
    return baseline


Said = dict[str, dict[str, str]]
"""What packs say about themselves: texts by pack and name."""


async def _listen(
    adapters: list[Adapter], seconds: float
) -> tuple[dict[str, list[Values]], dict[str, str], Said]:
    samples: dict[str, list[Values]] = {}
    causes: dict[str, str] = {}
    said: Said = {}
    await asyncio.gather(*(_follow(adapter, seconds, samples, causes) for adapter in adapters))
    for adapter in adapters:
        for subject in adapter.subjects:
            said.setdefault(subject.name, {}).update(getattr(adapter, "identity", {}))
    return samples, causes, said


async def _follow(
    adapter: Adapter, seconds: float, samples: dict[str, list[Values]], causes: dict[str, str]
) -> None:
    end = time.monotonic() + seconds
    try:
        async with asyncio.timeout(seconds + 10):
            await adapter.open()
            while time.monotonic() < end:
                try:
                    reading = await adapter.read()
                except (SourceTimeout, BadFrame) as exc:
                    causes.update(dict.fromkeys((s.name for s in adapter.subjects), str(exc)))
                    continue
                kept = samples.setdefault(reading.subject.name, [])
                kept.append(
                    physical(reading.values) if reading.subject.kind == "pack" else dict(reading.values)
                )
                await asyncio.sleep(0.5)
    except (BankbookError, TimeoutError, StopAsyncIteration) as exc:  # also a map that does not fit
        causes.update(dict.fromkeys((s.name for s in adapter.subjects), str(exc) or "no answer in time"))
    finally:
        await adapter.close()


def _house(config: Config) -> list[Check]:
    """Check the computer itself: clock and disk."""
    from logger.recording.clock import Trust
    from logger.recording.clock_system import SystemTime

    trust = SystemTime(user_trusts=config.record.clock == "trusted").trust()
    told = 'readings stay provisional until it is: connect a network, fit a clock chip, or clock = "trusted"'
    clock = Check(
        "bankbook", "clock", "bad" if trust is Trust.NONE else "good",
        f"not known to be right; {told}" if trust is Trust.NONE else f"trusted: {trust.words}",
    )  # fmt: skip
    if "://" in config.database:
        return [clock]
    free = shutil.disk_usage(Path(config.database).parent).free
    text = f"{free / 1e9:,.1f} GB free"
    return [clock, Check("bankbook", "room", "good" if free >= ENOUGH_BYTES else "bad", text)]


def _keep(config: Config, baseline: Baseline) -> None:
    from logger.record.opening import open_record

    with open_record(config, "write") as store:
        store.save_report(
            "commissioning", baseline.day, baseline.day, json.dumps(baseline.as_dict(), allow_nan=False)
        )
