"""What listening to a full CAN bus costs, over each interface, beside the library's own `recv` alone.

Run `nice python tests/benchmarks/bench_can_live.py`. CPU time of one core; peers run in their own processes.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import multiprocessing as mp
import os
import socket
import threading
import time
import tty
from collections.abc import Callable, Sequence
from multiprocessing.queues import Queue
from typing import TypeVar

import can
from bench_wire import MAPS, SATURATED, database_of, frames_of
from cantools.database import Database

from adapters import can_port
from adapters.configs import CanConfig
from adapters.registry import make
from tests.orchard import free_port

Peer = Callable[["Queue[str]", int, float, Sequence[tuple[int, bytes]]], None]


Sent = TypeVar("Sent")


def _paced(seconds: float, messages: Sequence[Sent], send: Callable[[Sequence[Sent]], None]) -> None:
    """Send messages over and over at the rate of a full bus."""
    began, sent = time.perf_counter(), 0
    while (now := time.perf_counter() - began) < seconds:
        due = range(sent, int(now * SATURATED))
        if due:
            send([messages[number % len(messages)] for number in due])
        sent = due.stop if due else sent
        time.sleep(0.002)


def _flood(place: Queue[str], port: int, seconds: float, messages: Sequence[tuple[int, bytes]]) -> None:
    bus = can.Bus(interface="udp_multicast", channel="239.74.163.2", port=port)
    place.put("239.74.163.2")

    def send(due: Sequence[tuple[int, bytes]]) -> None:
        for can_id, payload in due:
            bus.send(can.Message(arbitration_id=can_id, data=payload, is_extended_id=False))

    _paced(seconds, messages, send)
    bus.shutdown()


def _flood_serial(place: Queue[str], _: int, seconds: float, messages: Sequence[tuple[int, bytes]]) -> None:
    """A serial adapter: lines of text over a pseudo-terminal."""
    ours, theirs = os.openpty()
    tty.setraw(ours)
    tty.setraw(theirs)
    place.put(os.ttyname(theirs))
    lines = [f"t{can_id:03X}{len(data)}{data.hex().upper()}\r".encode() for can_id, data in messages]
    threading.Thread(target=lambda: [os.read(ours, 100) for _ in range(20)], daemon=True).start()
    _paced(seconds, lines, lambda due: _whole(ours, b"".join(due)))


def _whole(fd: int, text: bytes) -> None:
    while text:
        text = text[os.write(fd, text) :]


def _flood_daemon(
    place: Queue[str], port: int, seconds: float, messages: Sequence[tuple[int, bytes]]
) -> None:
    """A daemon that hands a bus on over TCP: frames as text in < >."""
    with socket.create_server(("127.0.0.1", port)) as server:
        place.put("can0")
        while True:
            peer, _ = server.accept()
            peer.sendall(b"< hi >")
            with contextlib.suppress(ConnectionError):
                if peer.recv(100):  # the first caller only asks whether somebody is there
                    break
        peer.sendall(b"< ok >")
        peer.recv(100)
        peer.sendall(b"< ok >")
        time.sleep(0.1)
        frames = [f"< frame {can_id:X} 1767596400.0 {data.hex()} >".encode() for can_id, data in messages]
        with contextlib.suppress(ConnectionError):
            _paced(seconds, frames, lambda due: peer.sendall(b"".join(due)))


LIVE: dict[str, Peer] = {"udp_multicast": _flood, "slcan": _flood_serial, "socketcand": _flood_daemon}


def live_can(database: Database, seconds: float) -> None:
    """A full bus through the whole adapter, from another process; beside it the library's own recv alone."""
    messages = [(can_id, payload) for can_id, payload, _ in frames_of(database, 1)]
    for interface, flood in LIVE.items():
        spent = [
            _fed(flood, messages, seconds, work, interface) for work in (_through_the_adapter, _bare_recv)
        ]
        print(
            f"full bus ({SATURATED} frames/s, {interface}): {100 * spent[0]:.1f} % of a core; "
            f"the library's recv alone {100 * spent[1]:.1f} %: {spent[0] / spent[1]:.2f} ×"
        )


def _fed(
    flood: Peer,
    messages: Sequence[tuple[int, bytes]],
    seconds: float,
    work: Callable[[CanConfig, float], float],
    interface: str,
) -> float:
    port, context = free_port(), mp.get_context("spawn")
    place = context.Queue()
    peer = context.Process(target=flood, args=(place, port, seconds + 5, messages), daemon=True)
    peer.start()
    config = CanConfig(
        name="b", pack="B", interface=interface, channel=place.get(), host="127.0.0.1", port=port,
        database=str(MAPS / "orchard-b.dbc"), binding=str(MAPS / "orchard-b.toml"),
    )  # fmt: skip
    try:
        return work(config, seconds)
    finally:
        peer.terminate()
        peer.join()


def _through_the_adapter(config: CanConfig, seconds: float) -> float:
    async def main() -> float:
        adapter = make(config)
        await adapter.open()
        await adapter.read()
        began, wall = time.process_time(), time.monotonic()
        while time.monotonic() - wall < seconds:
            await adapter.read()
        spent = (time.process_time() - began) / (time.monotonic() - wall)
        await adapter.close()
        return spent

    return asyncio.run(main())


def _bare_recv(config: CanConfig, seconds: float) -> float:
    bus = can_port.open_bus(config)
    bus.recv(1.0)
    began, wall = time.process_time(), time.monotonic()
    while time.monotonic() - wall < seconds:
        bus.recv(0.2)
    spent = (time.process_time() - began) / (time.monotonic() - wall)
    bus.shutdown()
    return spent


def live_virtual(database: Database, seconds: float) -> None:
    """The same on the in-process bus, the sender's own thread time taken off."""
    messages = [(can_id, payload) for can_id, payload, _ in frames_of(database, 1)]
    config = CanConfig(
        name="b", pack="B", interface="virtual", channel="bench",
        database=str(MAPS / "orchard-b.dbc"), binding=str(MAPS / "orchard-b.toml"),
    )  # fmt: skip
    stop, sender_s = threading.Event(), [0.0]

    def send() -> None:
        bus = can.Bus(interface="virtual", channel="bench")
        began, sent = time.perf_counter(), 0
        while not stop.is_set():
            while sent < (time.perf_counter() - began) * SATURATED:
                can_id, payload = messages[sent % len(messages)]
                bus.send(can.Message(arbitration_id=can_id, data=payload, is_extended_id=False))
                sent += 1
            time.sleep(0.002)
            sender_s[0] = time.thread_time()
        bus.shutdown()

    async def main() -> float:
        adapter = make(config)
        await adapter.open()
        thread = threading.Thread(target=send)
        thread.start()
        await adapter.read()
        began, wall, theirs = time.process_time(), time.monotonic(), sender_s[0]
        while time.monotonic() - wall < seconds:
            await adapter.read()
        spent = time.process_time() - began - (sender_s[0] - theirs)
        stop.set()
        thread.join()
        await adapter.close()
        return spent / seconds

    print(f"full bus ({SATURATED} frames/s, in-process): {100 * asyncio.run(main()):.1f} % of a core")


def main() -> None:
    """Run all."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=10.0, help="length of each measurement")
    seconds = parser.parse_args().seconds
    can_port.SETTLE_S = 0.0  # our peers need no time to start
    database = database_of(MAPS / "orchard-b.dbc")
    live_virtual(database, seconds)
    live_can(database, seconds)


if __name__ == "__main__":
    main()
