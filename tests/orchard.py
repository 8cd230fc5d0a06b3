"""The simulated bank in a process of its own, and the sources of a configuration that listens to it."""

from __future__ import annotations

import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

MAPS = Path(__file__).parent.parent / "sample_data" / "maps"
_PACKS = """
[[source]]
name = "bus-a"
kind = "modbus-tcp"
pack = "A"
host = "127.0.0.1"
port = {port}
map = "{maps}/orchard-a.toml"

[[source]]
name = "bus-b"
kind = "can"
pack = "B"
interface = "udp_multicast"
channel = "239.74.163.2"
port = {can_port}
database = "{maps}/orchard-b.dbc"
binding = "{maps}/orchard-b.toml"
"""
_WITNESS = """
[[source]]
name = "bus-hall"
kind = "modbus-tcp"
witness = "hall"
host = "127.0.0.1"
port = {port}
unit = 2
map = "{maps}/orchard-hall.toml"
"""


class Wires(NamedTuple):
    """Where the bank is: a Modbus TCP port, and the port of its CAN bus over UDP."""

    port: int
    can_port: int


def free_port() -> int:
    """A TCP port that nobody uses."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def orchard() -> Iterator[Wires]:
    """Run the bank."""
    can_port = free_port()
    command = [sys.executable, "-P", "-m", "sample_data.live", "--can-port", str(can_port)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd="/") as bank:
        assert bank.stdout is not None
        ready = bank.stdout.readline()
        assert ready.startswith("ready"), ready
        try:
            yield Wires(int(ready.split("modbus=127.0.0.1:")[1].split()[0]), can_port)
        finally:
            bank.terminate()
            ended = bank.wait(20)
    assert ended == 0


def sources(wires: Wires, *, witness: bool = True) -> str:
    """Both packs, and the witness, as `[[source]]` tables."""
    text = _PACKS + _WITNESS if witness else _PACKS
    return text.format(port=wires.port, can_port=wires.can_port, maps=MAPS)
