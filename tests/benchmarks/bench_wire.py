"""What the wire costs: CAN frames into readings, beside the frame library's own decoder; polling 16 packs.

Run `nice python tests/benchmarks/bench_wire.py`. CPU time of one core; peers run in their own processes.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import multiprocessing as mp
import os
import socket
import tempfile
import threading
import time
import tty
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import can
import cantools

from adapters import can_port
from adapters.assembler import Assembler
from adapters.binding import Binding, load_binding
from adapters.configs import CanConfig, ModbusTcpConfig
from adapters.registry import make

MAPS = Path("sample_data/maps")
SATURATED = 3700
"""Frames a second on a full 500 kbit/s bus: 500000 / 135 bits, by hand from ISO 11898-1."""


def best(work: Callable[[], object], times: int = 3) -> float:
    """Least CPU time of a few runs. [s]"""
    spent = []
    for _ in range(times):
        began = time.process_time()
        work()
        spent.append(time.process_time() - began)
    return min(spent)


def frames_of(database: Any, rounds: int) -> list[tuple[int, bytes, float]]:
    """Rounds of the orchard's pack B: every message, every multiplexer state, once a second."""
    frames = []
    for number in range(rounds):
        for message in database.messages:
            states = sorted({i for s in message.signals for i in s.multiplexer_ids or ()}) or [None]
            for place, state in enumerate(states):
                payload = bytearray((7 * n + number) % 8 + 0x0C for n in range(message.length))
                if state is not None:
                    payload[0] = state
                frames.append((message.frame_id, bytes(payload), number + place / 1000))
    return frames


def decode_benchmark(name: str, binding: Binding, database: Any, rounds: int, repeats: int) -> None:
    """Frames into readings, against decode_message on the same frames."""
    one_round = frames_of(database, rounds)
    frames = [
        (can_id, payload, second + copy / repeats)
        for can_id, payload, second in one_round
        for copy in range(repeats)
    ]
    frames.sort(key=lambda frame: frame[2])

    def theirs() -> None:
        decode = database.decode_message
        for can_id, payload, _ in frames:
            decode(can_id, payload, decode_choices=False)

    def ours() -> int:
        assembler, readings, due = Assembler(binding), 0, 1.0
        take = assembler.take
        for can_id, payload, time_s in frames:
            if time_s >= due:
                assembler.snapshot(due)
                readings, due = readings + 1, due + 1.0
            take(can_id, payload, time_s)
        return readings

    base, mine = best(theirs), best(ours)
    rate = len(frames) / rounds
    print(f"{name}: {len(frames)} frames, {rate:.0f} a second of bus time: ", end="")
    print(f"decode_message {len(frames) / base / 1e3:.0f} k/s, ", end="")
    print(f"into readings at 1 Hz {len(frames) / mine / 1e3:.0f} k/s: {base / mine:.1f} ×")


Peer = Callable[[Any, int, float, Sequence[tuple[int, bytes]]], None]


def _paced(seconds: float, messages: Sequence[Any], send: Callable[[Sequence[Any]], None]) -> None:
    """Send messages over and over at the rate of a full bus."""
    began, sent = time.perf_counter(), 0
    while (now := time.perf_counter() - began) < seconds:
        due = range(sent, int(now * SATURATED))
        if due:
            send([messages[number % len(messages)] for number in due])
        sent = due.stop if due else sent
        time.sleep(0.002)


def _flood(place: Any, port: int, seconds: float, messages: Sequence[tuple[int, bytes]]) -> None:
    bus = can.Bus(interface="udp_multicast", channel="239.74.163.2", port=port)
    place.put("239.74.163.2")

    def send(due: Sequence[tuple[int, bytes]]) -> None:
        for can_id, payload in due:
            bus.send(can.Message(arbitration_id=can_id, data=payload, is_extended_id=False))

    _paced(seconds, messages, send)
    bus.shutdown()


def _flood_serial(place: Any, _: int, seconds: float, messages: Sequence[tuple[int, bytes]]) -> None:
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


def _flood_daemon(place: Any, port: int, seconds: float, messages: Sequence[tuple[int, bytes]]) -> None:
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


def live_can(database: Any, seconds: float) -> None:
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
    port, context = _free_port(), mp.get_context("spawn")
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


def live_virtual(database: Any, seconds: float) -> None:
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


def _serve(port: int, units: int, words: list[int]) -> None:
    from pymodbus.server import StartTcpServer
    from pymodbus.simulator import DataType, SimData, SimDevice

    devices = [
        SimDevice(unit, simdata=[SimData(0x100, values=words, datatype=DataType.REGISTERS)])
        for unit in range(1, units + 1)
    ]
    StartTcpServer(devices, address=("127.0.0.1", port))


def modbus(packs: int, seconds: float) -> None:
    """Many packs polled each second over Modbus TCP, one connection."""
    port = _free_port()
    words = [5312, 65411, 874, 990, 2447, 2800] + [0] * 10 + [3300 + n for n in range(16)] + [0] * 16
    words += [583] * 5 + [0] * 59 + [16] + [0] * 40
    peer = mp.get_context("spawn").Process(target=_serve, args=(port, packs, words), daemon=True)
    peer.start()
    _wait_for(port)

    async def main() -> tuple[float, float]:
        adapters = [
            make(
                ModbusTcpConfig(
                    name=f"p{n}",
                    pack=f"P{n}",
                    host="127.0.0.1",
                    port=port,
                    unit=n,
                    map=str(MAPS / "orchard-a.toml"),
                )
            )
            for n in range(1, packs + 1)
        ]
        for adapter in adapters:
            await adapter.open()
        await asyncio.gather(*(adapter.read() for adapter in adapters))
        began, wall, rounds, busy = time.process_time(), time.monotonic(), 0, 0.0
        while time.monotonic() - wall < seconds:
            start = time.monotonic()
            await asyncio.gather(*(adapter.read() for adapter in adapters))
            busy += time.monotonic() - start
            rounds += 1
            await asyncio.sleep(max(0.0, wall + rounds - time.monotonic()))
        spent = (time.process_time() - began) / (time.monotonic() - wall)
        for adapter in adapters:
            await adapter.close()
        return spent, busy / rounds

    spent, busy = asyncio.run(main())
    peer.terminate()
    took = f"a round takes {1000 * busy:.0f} ms"
    print(f"{packs} packs over Modbus TCP each second: {100 * spent:.1f} % of a core, {took}")


def _wait_for(port: int) -> None:
    for _ in range(100):
        try:
            socket.create_connection(("127.0.0.1", port), 0.2).close()
        except OSError:
            time.sleep(0.1)
        else:
            return


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


CELLS_DBC = 'VERSION ""\n\n' + "".join(
    f"BO_ {512 + m} Cells{m}: 8 X\n"
    + "".join(f' SG_ Cell{4 * m + n + 1:02d} : {16 * n}|16@1+ (1,0) [0|0] "mV" X\n' for n in range(4))
    + "\n"
    for m in range(4)
)
CELLS_TOML = (
    '[binding]\nname="cells"\nsource="bench"\n[[signal]]\nsignal="Cell{nn}"\nchannel="cell_01_v"\ncount=16\n'
)


def main() -> None:
    """Run all."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=10.0, help="length of each live measurement")
    seconds = parser.parse_args().seconds
    binding = load_binding(MAPS / "orchard-b.toml", MAPS / "orchard-b.dbc")
    database = cantools.database.load_file(str(MAPS / "orchard-b.dbc"))
    per_round = len(frames_of(database, 1))
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "c.dbc").write_text(CELLS_DBC)
        (Path(folder) / "c.toml").write_text(CELLS_TOML)
        cells = load_binding(Path(folder) / "c.toml", Path(folder) / "c.dbc")
        cells_database = cantools.database.load_file(Path(folder) / "c.dbc")
    decode_benchmark("multiplexed, full bus", binding, database, 30, SATURATED // per_round)
    decode_benchmark("multiplexed, once a second", binding, database, 3000, 1)
    decode_benchmark("16 cells plain, full bus", cells, cells_database, 30, SATURATED // 4)
    decode_benchmark("16 cells plain, once a second", cells, cells_database, 10000, 1)
    can_port.SETTLE_S = 0.0  # our peers need no time to start
    modbus(16, seconds)
    live_virtual(database, seconds)
    live_can(database, seconds)


if __name__ == "__main__":
    main()
