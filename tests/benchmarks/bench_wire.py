"""What the wire costs: CAN frames and captures into readings, beside the frame library; polling 16 packs.

Run `nice python tests/benchmarks/bench_wire.py`. CPU time of one core; peers run in their own processes.
"""

from __future__ import annotations

import argparse
import asyncio
import multiprocessing as mp
import socket
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import can
import cantools
from cantools.database import Database

from adapters.assembler import Assembler
from adapters.binding import Binding, load_binding
from adapters.captures import read_capture
from adapters.configs import ModbusTcpConfig
from adapters.registry import make
from tests.orchard import free_port

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


def database_of(path: Path) -> Database:
    """A CAN database, read by its library."""
    found = cantools.database.load_file(path)
    assert isinstance(found, Database)
    return found


def frames_of(database: Database, rounds: int) -> list[tuple[int, bytes, float]]:
    """Rounds of the orchard's pack B: every message, every multiplexer state, once a second."""
    frames = []
    for number in range(rounds):
        for message in database.messages:
            named = {i for s in message.signals for i in s.multiplexer_ids or ()}
            states: list[int] | list[None] = sorted(named) or [None]
            for place, state in enumerate(states):
                payload = bytearray((7 * n + number) % 8 + 0x0C for n in range(message.length))
                if state is not None:
                    payload[0] = state
                frames.append((message.frame_id, bytes(payload), number + place / 1000))
    return frames


def decode_benchmark(name: str, binding: Binding, database: Database, rounds: int, repeats: int) -> None:
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
    port = free_port()
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


def captures(database: Database, binding: Binding, rounds: int, repeats: int, what: str) -> None:
    """Capture files into tables, against the library's reader and decode_message on the same file."""
    one_round = frames_of(database, rounds)
    frames = [
        (can_id, payload, 1_767_596_400 + second + copy / repeats)
        for can_id, payload, second in one_round
        for copy in range(repeats)
    ]
    frames.sort(key=lambda frame: frame[2])
    known = {message.frame_id for message in database.messages}
    writers: dict[str, Any] = {".log": can.CanutilsLogWriter, ".asc": can.ASCWriter, ".blf": can.BLFWriter}
    for suffix, writer in writers.items():
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / f"bus{suffix}"
            with writer(str(path)) as file:
                for can_id, payload, time_s in frames:
                    file.on_message_received(
                        can.Message(
                            arbitration_id=can_id,
                            data=payload,
                            is_extended_id=False,
                            timestamp=time_s,
                            channel=0,
                        )
                    )

            def theirs(path: Path = path) -> None:
                for frame in can.LogReader(str(path)):
                    if frame.arbitration_id in known:
                        database.decode_message(frame.arbitration_id, frame.data, decode_choices=False)  # type: ignore[arg-type] # a bytearray serves

            def ours(path: Path = path) -> None:
                for _ in read_capture(path, binding):
                    pass

            base, mine = best(theirs, 2), best(ours, 2)
        print(
            f"capture {suffix}, {what}: the library's own way {len(frames) / base / 1e3:.0f} k/s, "
            f"into tables {len(frames) / mine / 1e3:.0f} k/s: {base / mine:.1f} ×"
        )


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
    parser.add_argument("--seconds", type=float, default=10.0, help="length of the live measurement")
    seconds = parser.parse_args().seconds
    binding = load_binding(MAPS / "orchard-b.toml", MAPS / "orchard-b.dbc")
    database = database_of(MAPS / "orchard-b.dbc")
    per_round = len(frames_of(database, 1))
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "c.dbc").write_text(CELLS_DBC)
        (Path(folder) / "c.toml").write_text(CELLS_TOML)
        cells = load_binding(Path(folder) / "c.toml", Path(folder) / "c.dbc")
        cells_database = database_of(Path(folder) / "c.dbc")
    decode_benchmark("multiplexed, full bus", binding, database, 30, SATURATED // per_round)
    decode_benchmark("multiplexed, once a second", binding, database, 3000, 1)
    decode_benchmark("16 cells plain, full bus", cells, cells_database, 30, SATURATED // 4)
    decode_benchmark("16 cells plain, once a second", cells, cells_database, 10000, 1)
    captures(database, binding, 30, SATURATED // per_round, "full bus")
    captures(database, binding, 5000, 1, "once a second")
    modbus(16, seconds)


if __name__ == "__main__":
    main()
