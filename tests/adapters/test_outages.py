"""Devices that go and come back under a running recorder: each outage an event, other sources unaffected."""

from __future__ import annotations

import asyncio
import contextlib
import os
import time
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from adapters import can_port
from adapters.base import Adapter
from adapters.registry import config_from, make
from logger.record.store import Store
from logger.record.store_types import Event
from logger.recording.clock_system import SystemTime
from logger.recording.recorder import Feed, Recorder
from logger.recording.recorder_source import LONGEST_WAIT_S
from tests.adapters import peers
from tests.adapters.peers import SerialWire
from tests.orchard import free_port

pytestmark = pytest.mark.usefixtures("short_drain")
RECOVERY_S = 10.0
"""A source must be back this soon after its device. [s]"""


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "bank.db", logging=True, timezone="Europe/Vienna") as opened:
        yield opened


class Bench:
    """A recorder with a source under test, and a good one beside it."""

    def __init__(self, store: Store, adapter: Adapter, good: Adapter) -> None:
        self.store = store
        feeds = [Feed("bad", adapter, 0.2), Feed("good", good, 0.2)]
        self.recorder = Recorder(
            feeds, store, commit_s=0.1, seal=False, time_source=SystemTime(user_trusts=True)
        )
        self.seen: list[tuple[str, int]] = []

    def count(self, pack: str) -> int:
        """Readings of a pack in the record."""
        with self.store.reading() as conn:
            query = f"SELECT count(*) FROM reading r JOIN pack p ON p.id = r.pack_id WHERE p.name = '{pack}'"
            return int(conn.exec_driver_sql(query).scalar() or 0)

    def outages(self) -> list[Event]:
        """Outages of the source under test."""
        return [e for e in self.store.events(kind="outage") if e.subject == "bad"]

    async def until(self, holds: Callable[[], bool], what: str) -> None:
        """Wait, patiently, until something holds."""
        end = time.monotonic() + 60
        while not holds():
            assert time.monotonic() < end, what
            await asyncio.sleep(0.05)


async def watched(bench: Bench, take_away: Callable[[], Any], bring_back: Callable[[], Any]) -> None:
    """Let it run, take the device away, see the outage, bring it back, and see it end in time."""
    task = asyncio.create_task(bench.recorder.run())
    try:
        await bench.until(lambda: bench.count("A") > 2 and bench.count("B") > 2, "both log")
        gone_ms = time.time() * 1000
        await _do(take_away)
        await bench.until(lambda: len(bench.outages()) == 1, "the outage is an event")
        (outage,) = bench.outages()
        assert outage.end_ms is None
        before = bench.count("B")
        await bench.until(lambda: bench.count("B") > before + 5, "the other source goes on")
        await _do(bring_back)
        back_ms = time.time() * 1000
        await bench.until(lambda: bench.outages()[-1].end_ms is not None, "the outage ends")
        ended = bench.outages()[-1].end_ms
        assert ended is not None
        assert outage.start_ms <= gone_ms + 3_000
        assert ended >= back_ms - 1_000
        after = bench.count("A")
        await bench.until(lambda: bench.count("A") > after + 2, "it logs again")
    finally:
        bench.recorder.stop()
        await task


async def _do(work: Callable[[], Any]) -> None:
    result = work()
    if asyncio.iscoroutine(result):
        await result


@contextlib.asynccontextmanager
async def _good(map_file: Path) -> AsyncIterator[Adapter]:
    port = free_port()
    keys = {"name": "good", "pack": "B", "host": "127.0.0.1", "port": port, "map": str(map_file)}
    async with peers.modbus_tcp(peers.image(peers.REGISTERS), port=port):
        yield make(config_from("modbus-tcp", keys))


@pytest.mark.parametrize("opening_s", [1.0, can_port.SETTLE_S + 0.5])
def test_the_longest_wait_leaves_room_for_the_goal(opening_s: float) -> None:
    """By hand: the longest pause with its spread, an opening that takes its time, a reading."""
    assert 1.2 * LONGEST_WAIT_S + opening_s + 1.0 <= RECOVERY_S


def test_serial_adapter_back_under_another_number(store: Store, map_file: Path, tmp_path: Path) -> None:
    stable = tmp_path / "by-id"
    wires = [SerialWire(), SerialWire()]
    for wire in wires:
        wire.serve(peers.RtuUnit(peers.image(peers.REGISTERS)))
    stable.symlink_to(wires[0].path)

    def away() -> None:
        stable.unlink()
        wires[0].unplug()

    async def main() -> None:
        async with _good(map_file) as good:
            bench = Bench(store, peers.rtu(str(stable), map_file, timeout_s=0.3), good)
            await watched(bench, away, lambda: stable.symlink_to(wires[1].path))

    asyncio.run(main())
    wires[1].unplug()
    (outage,) = [e for e in store.events(kind="outage") if e.subject == "bad"]
    assert any(word in outage.detail for word in ("connection", "no such port", "No such file"))


def test_tcp_peer_gone_and_back(store: Store, map_file: Path) -> None:
    port = free_port()
    keys = {"name": "bad", "pack": "A", "host": "127.0.0.1", "port": port, "map": str(map_file)}

    async def main() -> None:
        stack = contextlib.AsyncExitStack()

        async def up() -> None:
            await stack.enter_async_context(peers.modbus_tcp(peers.image(peers.REGISTERS), port=port))

        await up()
        async with _good(map_file) as good:
            bench = Bench(store, make(config_from("modbus-tcp", keys | {"timeout_s": 0.3})), good)
            await watched(bench, stack.aclose, up)
        await stack.aclose()

    asyncio.run(main())


def test_unit_that_falls_silent(store: Store, map_file: Path, wire: SerialWire) -> None:
    unit = peers.RtuUnit(peers.image(peers.REGISTERS))
    wire.serve(unit)

    async def main() -> None:
        async with _good(map_file) as good:
            bench = Bench(store, peers.rtu(wire.path, map_file), good)
            await watched(bench, lambda: setattr(unit, "units", [9]), lambda: setattr(unit, "units", [1]))

    asyncio.run(main())
    (outage,) = [e for e in store.events(kind="outage") if e.subject == "bad"]
    assert "no answer" in outage.detail


def test_serial_can_adapter_unplugged(
    store: Store, map_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(can_port, "SETTLE_S", 0.0)
    stable = tmp_path / "by-id"
    wires = [SerialWire(), SerialWire()]
    stable.symlink_to(wires[0].path)
    keys = {"name": "bad", "pack": "A", "interface": "slcan", "channel": str(stable), "period_s": 0.2}
    keys |= {"stale_s": 1.0, "binding": "common-closed-loop"}

    async def send() -> None:
        while True:
            for wire in wires:
                with contextlib.suppress(OSError):
                    os.set_blocking(wire.master, False)
                    os.write(wire.master, b"t3568C0141EFBB7000000\r")
            await asyncio.sleep(0.05)

    def away() -> None:
        stable.unlink()
        wires[0].unplug()

    async def main() -> None:
        sending = asyncio.create_task(send())
        async with _good(map_file) as good:
            bench = Bench(store, make(config_from("can", keys)), good)
            await watched(bench, away, lambda: stable.symlink_to(wires[1].path))
        sending.cancel()

    asyncio.run(main())
    wires[1].unplug()
