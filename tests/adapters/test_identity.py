"""Serial numbers from the wire into the record, through the recorder and real peers."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import can
import pytest
from sunspec2 import device

from adapters.base import Adapter
from adapters.registry import config_from, make
from logger.record.store import Store
from logger.recording.clock_system import SystemTime
from logger.recording.recorder import Feed, Recorder
from tests.adapters import peers
from tests.adapters.test_sunspec import battery, common, module, words
from tests.orchard import free_port

OTHER_SERIAL = [0x4841, 0x4C4C, 0x2D32, 0]
"""HALL-2."""


async def _record(store: Store, adapter: Adapter, until: Callable[[], bool]) -> None:
    feed = Feed("line-1", adapter, 0.1)
    recorder = Recorder(
        [feed], store, commit_s=0.1, seal=False, time_source=SystemTime(user_trusts=True)
    )  # fmt: skip
    task = asyncio.create_task(recorder.run())
    end = time.monotonic() + 30
    while not until() and time.monotonic() < end:  # noqa: ASYNC110 - a record tells of nothing by itself
        await asyncio.sleep(0.05)
    recorder.stop()
    await task


def _said(store: Store, pack: str = "A") -> list[tuple[str, str]]:
    return [(row.name, row.value) for row in store.identities(pack)]


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "bank.db", logging=True, timezone="Europe/Vienna") as opened:
        yield opened


def test_serial_in_a_register_map_and_another_pack_in_its_place(map_file: Path, store: Store) -> None:
    port = free_port()
    keys = {"name": "line-1", "pack": "A", "host": "127.0.0.1", "port": port, "map": str(map_file)}

    async def main() -> None:
        for blocks, wanted in ((peers.REGISTERS, 1), (peers.REGISTERS | {0x60: OTHER_SERIAL}, 2)):
            adapter = make(config_from("modbus-tcp", keys))
            async with peers.modbus_tcp(peers.image(blocks), port=port):
                await _record(store, adapter, lambda wanted=wanted: len(_said(store)) >= wanted)  # type: ignore[misc] # a default of a lambda has no type

    asyncio.run(main())
    assert _said(store) == [("serial", "HALL-1"), ("serial", "HALL-2")]
    (event,) = store.events(kind="identity")
    assert event.subject == "A"
    assert event.detail == 'serial reads "HALL-2" where it read "HALL-1" (line-1)'


def test_common_model_of_sunspec(store: Store) -> None:
    """Texts as pysunspec2 puts them into model 1 and 805."""
    port = free_port()
    assert device.get_model_def(1)["group"]["points"][2]["name"] == "Mn"

    async def main() -> None:
        image = words(common(), battery(), module())
        async with peers.modbus_tcp(image, port=port, start=40000):
            keys = {"name": "line-1", "pack": "A", "host": "127.0.0.1", "port": port}
            await _record(store, make(config_from("sunspec-tcp", keys)), lambda: len(_said(store)) >= 5)

    asyncio.run(main())
    assert dict(_said(store)) == {
        "maker": "Hillside", "model": "Orchard 48", "version": "1.2", "serial": "A-0001",
        "module 1 serial": "M-1",
    }  # fmt: skip
    assert store.events(kind="identity") == []


def test_texts_in_frames(store: Store, tmp_path: Path) -> None:
    """A text in two frames is kept once both came. Layout: common practice, no source."""
    frames = {
        0x356: bytes.fromhex("C0141EFBB7000000"),
        0x35E: b"HILLSIDE",
        0x380: b"PB-04180",
        0x381: b"17\0\0\0\0\0\0",
    }
    keys = {"name": "line-1", "pack": "A", "interface": "virtual", "channel": str(tmp_path)}
    keys |= {"binding": "common-closed-loop"}

    async def main() -> None:
        bus = can.Bus(interface="virtual", channel=str(tmp_path))

        async def send() -> None:
            for number in range(10_000):
                for can_id, payload in frames.items():
                    if can_id != 0x381 or number > 5:
                        bus.send(can.Message(arbitration_id=can_id, data=payload, is_extended_id=False))
                await asyncio.sleep(0.05)

        sending = asyncio.create_task(send())
        adapter = make(config_from("can", keys | {"period_s": 0.1}))
        await _record(store, adapter, lambda: len(_said(store)) >= 2)
        sending.cancel()
        bus.shutdown()

    asyncio.run(main())
    assert sorted(_said(store)) == [("maker", "HILLSIDE"), ("serial", "PB-0418017")]
