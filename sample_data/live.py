"""Run the simulated bank in real time and serve it: `python -m sample_data.live`.

Pack A (unit 1) and the inverter (unit 2) answer Modbus, over TCP or over a serial line; pack B sends frames
on CAN. One line beginning with "ready" goes to standard output when all of it is up; it says where.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import signal
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import can

from sample_data.can_peer import CanPort, SlcanAdapter, frames
from sample_data.live_bank import LiveBank
from sample_data.modbus_peer import ModbusPeer
from sample_data.orchard import ORCHARD
from sample_data.serial_line import SerialLine
from sample_data.state import load, save

CAN_GROUP = "239.74.163.2"
CAN_PORT = 43113


@dataclass(frozen=True, slots=True)
class Places:
    """Where the bank is to be served.

    Attributes
    ----------
    host, modbus_port : str, int
        Address of the Modbus server; port 0 takes a free one.
    rtu : bool
        Serve Modbus on a serial line instead.
    can_interface : str
        "udp_multicast", "slcan" (on a pseudo-terminal of our own) or "none".
    can_channel, can_port : str, int
        Group and port of the multicast.
    """

    host: str = "127.0.0.1"
    modbus_port: int = 0
    rtu: bool = False
    can_interface: str = "udp_multicast"
    can_channel: str = CAN_GROUP
    can_port: int = CAN_PORT


async def serve(bank: LiveBank, places: Places, stop: asyncio.Event, *, period_s: float = 1.0) -> None:
    """Serve the bank until `stop` is set.

    Parameters
    ----------
    bank : LiveBank
        Moves with the clock.
    places : Places
        Where.
    stop : asyncio.Event
        Ends it.
    period_s : float
        Between two rounds. [s]

    Raises
    ------
    OSError
        If a port or the multicast group cannot be had.
    """
    peer = ModbusPeer()
    values = bank.tick(time.time())
    peer.show(values["A"], values[bank.scenario.witness])
    async with contextlib.AsyncExitStack() as stack:
        where = [await _modbus(peer, places, stack)]
        bus, place = _can(places)
        if bus is not None:
            stack.callback(bus.shutdown)
        where.append(place)
        print("ready", *where, flush=True)
        counter = 0
        while not stop.is_set():
            if bus is not None:
                for frame in frames(values["B"], counter):
                    bus.send(frame)
            counter += 1
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(stop.wait(), period_s - time.time() % period_s)
            values = bank.tick(max(time.time(), bank.time_s + 0.05))
            peer.show(values["A"], values[bank.scenario.witness])


async def _modbus(peer: ModbusPeer, places: Places, stack: contextlib.AsyncExitStack) -> str:
    """Start the Modbus server; return where it is."""
    if places.rtu:
        line = SerialLine()
        line.connect()
        stack.callback(line.close)
        serial = peer.serial_server(line.device)
        await serial.serve_forever(background=True)
        stack.push_async_callback(serial.shutdown)
        return f"rtu={line.user}"
    tcp = peer.tcp_server(places.host, places.modbus_port)
    await tcp.serve_forever(background=True)
    stack.push_async_callback(tcp.shutdown)
    if not isinstance(tcp.transport, asyncio.Server):
        raise OSError(f"nothing listens on {places.host}:{places.modbus_port}; choose another --modbus-port")
    port = tcp.transport.sockets[0].getsockname()[1]
    return f"modbus={places.host}:{port}"


def _can(places: Places) -> tuple[CanPort | None, str]:
    """Open the CAN side; return it and where it is."""
    if places.can_interface == "none":
        return None, "can=none"
    if places.can_interface == "slcan":
        adapter = SlcanAdapter()
        return adapter, f"can=slcan:{adapter.port}"
    bus = can.Bus(interface="udp_multicast", channel=places.can_channel, port=places.can_port)
    return bus, f"can=udp_multicast:{places.can_channel}:{places.can_port}"


def _arguments(arguments: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m sample_data.live", description=__doc__)
    parser.add_argument("--host", default="127.0.0.1", help="address of the Modbus server")
    parser.add_argument("--modbus-port", type=int, default=0, help="its TCP port; 0 takes a free one")
    parser.add_argument("--rtu", action="store_true", help="serve Modbus on a serial line instead of TCP")
    parser.add_argument(
        "--can-interface", default="udp_multicast", choices=("udp_multicast", "slcan", "none")
    )
    parser.add_argument("--can-channel", default=CAN_GROUP, help="multicast group")
    parser.add_argument("--can-port", type=int, default=CAN_PORT, help="its UDP port")
    parser.add_argument("--start-from", type=Path, help="state that a history ended with (JSON)")
    parser.add_argument("--save-to", type=Path, help="write the state here when stopped")
    return parser.parse_args(arguments)


async def _run(options: argparse.Namespace) -> None:
    now = time.time()
    state, state_s = load(options.start_from) if options.start_from else (None, None)
    bank = LiveBank(ORCHARD, now, state, state_s)
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    places = Places(
        host=options.host,
        modbus_port=options.modbus_port,
        rtu=options.rtu,
        can_interface=options.can_interface,
        can_channel=options.can_channel,
        can_port=options.can_port,
    )
    await serve(bank, places, stop)
    if options.save_to:
        save(bank.state, options.save_to, time_s=bank.time_s)


def main(arguments: list[str] | None = None) -> int:
    """Run the service; 0 after a clean stop, 1 with one line on standard error if it cannot start."""
    options = _arguments(arguments)
    try:
        asyncio.run(_run(options))
    except (OSError, ValueError, can.CanError) as error:
        print(f"The simulated bank cannot be served: {error}", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
