"""CAN adapters that go, hang and come back, over a pseudo-terminal and with a scripted driver."""

from __future__ import annotations

import asyncio
import errno
import threading
from collections.abc import Callable
from pathlib import Path
from typing import TypeAlias

import can
import pytest

from adapters import can_port
from adapters.base import Adapter
from adapters.errors import SourceLost
from adapters.registry import config_from, make
from tests.adapters import peers

Then: TypeAlias = Callable[[float], can.Message | None]


class _Driver:
    """A CAN driver that does what a test tells it, in place of `can.Bus`."""

    def __init__(self, then: Then) -> None:
        self._then = then

    def recv(self, timeout: float) -> can.Message | None:
        return self._then(timeout)

    def send(self, *_: object) -> None:
        raise AssertionError

    _send_periodic_internal = send

    def shutdown(self) -> None:
        """Nothing to let go of."""


def _can(tmp_path: Path) -> Adapter:
    keys = {"name": "b", "pack": "B", "interface": "virtual", "channel": str(tmp_path), "period_s": 0.1}
    return make(config_from("can", {**keys, "stale_s": 1.0, "binding": "common-closed-loop"}))


def _raise(error: Exception) -> Then:
    def recv(_: float) -> can.Message | None:
        raise error

    return recv


_BUS_OFF = can.Message(is_error_frame=True, arbitration_id=0x40, dlc=8, data=bytes(8))


@pytest.mark.parametrize(
    ("then", "words"),
    [
        (_raise(OSError(errno.ENETDOWN, "Network is down")), "Network is down"),
        (_raise(can.CanOperationError("Could not read from serial device")), "serial device"),
        (lambda _: _BUS_OFF, "bus-off"),
        (_raise(ValueError("invalid literal")), "only noise"),
    ],
    ids=["interface down", "driver error", "bus-off", "noise"],
)
def test_can_bus_that_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, then: Then, words: str) -> None:
    """Bus-off: error frame class 0x40. Source: Linux, include/uapi/linux/can/error.h."""

    async def main() -> None:
        with monkeypatch.context() as patch:
            patch.setattr(can_port, "open_bus", lambda _: _Driver(then))
            adapter = _can(tmp_path)
            await adapter.open()
            async with asyncio.timeout(3):
                with pytest.raises(SourceLost, match=words):
                    await adapter.read()
            await adapter.close()
        with can.Bus(interface="virtual", channel=str(tmp_path)) as bus:
            await adapter.open()
            bus.send(
                can.Message(
                    arbitration_id=0x356, data=bytes.fromhex("C0141EFBB7000000"), is_extended_id=False
                )
            )
            assert (await adapter.read()).values["pack_v"] == 5312
            await adapter.close()

    asyncio.run(main())


def test_can_driver_that_hangs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    forever = threading.Event()

    def hang(_: float) -> None:
        forever.wait()

    async def main() -> None:
        monkeypatch.setattr(can_port, "HANG_S", 0.3)
        monkeypatch.setattr(can_port, "open_bus", lambda _: _Driver(hang))
        adapter = _can(tmp_path)
        await adapter.open()
        async with asyncio.timeout(3):
            with pytest.raises(SourceLost, match="hangs"):
                await adapter.read()
            await adapter.close()

    asyncio.run(main())
    forever.set()


def test_can_driver_that_does_not_open(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    forever = threading.Event()

    def hang(_: float) -> None:
        forever.wait()

    async def main() -> None:
        monkeypatch.setattr(can_port, "OPEN_S", 0.3)
        monkeypatch.setattr(can_port, "open_bus", lambda _: forever.wait())
        async with asyncio.timeout(3):
            with pytest.raises(SourceLost, match="does not open"):
                await _can(tmp_path).open()

    asyncio.run(main())
    forever.set()


def test_serial_can_adapter_unplugged_and_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import os

    monkeypatch.setattr(can_port, "SETTLE_S", 0.0)
    stable = tmp_path / "by-id"

    async def main() -> None:
        first, second = peers.SerialWire(), peers.SerialWire()
        stable.symlink_to(first.path)
        keys = {"name": "b", "pack": "B", "interface": "slcan", "channel": str(stable), "period_s": 0.1}
        adapter = make(config_from("can", {**keys, "stale_s": 1.0, "binding": "common-closed-loop"}))
        await adapter.open()
        os.write(first.master, b"t3568C0141EFBB7000000\r")
        assert (await adapter.read()).values["pack_v"] == 5312
        first.unplug()
        stable.unlink()
        async with asyncio.timeout(3):
            with pytest.raises(SourceLost):
                await adapter.read()
        stable.symlink_to(second.path)
        await adapter.close()
        await adapter.open()
        os.write(second.master, b"\x07garbage\rt35\rt3568C0141EFBB7000000\r")
        assert (await adapter.read()).values["pack_v"] == 5312
        await adapter.close()
        second.unplug()

    asyncio.run(main())
