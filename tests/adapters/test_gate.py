"""Nothing leaves but register reads, and the request frames that the configuration allows."""

from __future__ import annotations

import ast
import asyncio
import re
import socket
import struct
from pathlib import Path
from typing import Literal, TypeAlias

import can
import pytest

import adapters
from adapters import can_port
from adapters.errors import ConfigError
from adapters.gate import GateClosedError, ListenOnlyBus, RequestFrame, ask_registers, watch_modbus
from adapters.modbus_line import line_to
from adapters.places import Place, SerialPlace, TcpPlace
from adapters.registry import config_from, make
from tests.adapters import peers
from tests.adapters.peers import SerialWire
from tests.orchard import free_port

SOURCES = sorted(Path(adapters.__file__).parent.rglob("*.py"))
WAYS_OUT = {
    "send", "sendall", "sendto", "sendmsg", "send_periodic", "execute", "pdu_send", "low_level_send",
    "write_coil", "write_coils", "write_register", "write_registers", "mask_write_register",
    "readwrite_registers", "write_file_record", "read_coils", "read_discrete_inputs",
    "read_holding_registers", "read_input_registers", "diag_query_data", "report_device_id",
}  # fmt: skip


def _calls(path: Path) -> list[ast.Call]:
    return [node for node in ast.walk(ast.parse(path.read_text())) if isinstance(node, ast.Call)]


def _name(call: ast.Call) -> str:
    function = call.func
    return function.attr if isinstance(function, ast.Attribute) else getattr(function, "id", "")


def test_only_the_gate_calls_a_way_out() -> None:
    offenders = [
        f"{path.name}:{call.lineno} {_name(call)}"
        for path in SOURCES
        if path.name != "gate.py"
        for call in _calls(path)
        if _name(call) in WAYS_OUT
    ]
    assert offenders == []


def test_only_recordings_are_written() -> None:
    """A serial port, a terminal or a socket is written to with the same words as a file."""
    words = {"write", "writelines", "write_text", "write_bytes", "tcsendbreak", "send_break", "ioctl"}
    writers = {(path.name, _name(call)) for path in SOURCES for call in _calls(path) if _name(call) in words}
    assert writers == {("record_raw.py", "write")}


def test_every_modbus_client_is_watched() -> None:
    made = [c for path in SOURCES for c in _calls(path) if re.fullmatch(r"(Async)?Modbus\w+Client", _name(c))]
    assert len(made) >= 2
    assert all("trace_packet" in {keyword.arg for keyword in call.keywords} for call in made)


def test_every_can_bus_is_behind_the_gate() -> None:
    opened = [(p.name, c) for p in SOURCES for c in _calls(p) if _name(c) in {"Bus", "ThreadSafeBus"}]
    assert {name for name, _ in opened} == {"can_port.py"}
    users = [(p.name, _name(c)) for p in SOURCES for c in _calls(p) if _name(c) == "open_bus"]
    wrapped = [
        c for p in SOURCES for c in _calls(p)
        if _name(c) == "ListenOnlyBus" and isinstance(c.args[0], ast.Call) and _name(c.args[0]) == "open_bus"
    ]  # fmt: skip
    assert len(users) == len(wrapped) >= 1


def test_no_raw_sockets_or_ports() -> None:
    allowed = {
        "places.py": {"create_connection", "Serial"}
    }  # opens and closes, to say why it cannot be opened
    for path in SOURCES:
        names = {_name(c) for c in _calls(path)} & {
            "socket",
            "create_connection",
            "open_connection",
            "Serial",
        }
        assert names <= allowed.get(path.name, set()), path


@pytest.mark.parametrize(("framing", "header"), [("tcp", bytes([0, 1, 0, 0, 0, 6, 1])), ("rtu", b"\x01")])
def test_hook_lets_only_reads_out(framing: Literal["tcp", "rtu"], header: bytes) -> None:
    hook = watch_modbus(framing)
    tail = bytes(4) if framing == "tcp" else bytes(6)
    for code in range(256):
        packet = header + bytes([code]) + tail
        if code in {3, 4}:
            assert hook(True, packet) is packet
        else:
            with pytest.raises(GateClosedError):
                hook(True, packet)
            assert hook(False, packet) is packet
    with pytest.raises(GateClosedError):
        hook(True, header + b"\x03" + tail + b"\0")


def test_writes_by_the_library_do_not_reach_the_wire() -> None:
    """Every request but 3 and 4, on a client made as the line makes it."""

    async def main() -> None:
        came = bytearray()
        port = free_port()
        async with peers.tcp_peer(peers.listener(came), port, patience_s=5.0):
            await attack(port)
        assert bytes(came) == b""

    async def attack(port: int) -> None:
        from pymodbus.client import AsyncModbusTcpClient

        client = AsyncModbusTcpClient(
            "127.0.0.1", port=port, timeout=0.2, retries=0, trace_packet=watch_modbus("tcp")
        )
        await client.connect()
        attempts = [
            client.write_register(0, 1), client.write_registers(0, [1, 2]), client.write_coil(0, True),
            client.write_coils(0, [True]), client.mask_write_register(address=0), client.read_coils(0),
            client.readwrite_registers(read_address=0, read_count=1, address=0, values=[1]),
            client.read_discrete_inputs(0), client.report_device_id(), client.read_exception_status(),
        ]  # fmt: skip
        for attempt in attempts:
            with pytest.raises(GateClosedError):
                await attempt
        for function, count in ((6, 1), (16, 1), (3, 0), (3, 126)):
            with pytest.raises(GateClosedError):
                await ask_registers(client, function=function, address=0, count=count, unit=1)
        client.close()

    asyncio.run(main())


def test_writes_by_the_client_of_a_line_do_not_reach_the_wire(wire: SerialWire) -> None:
    """The very client that a line made, over TCP and over a serial port."""

    async def main() -> None:
        came = bytearray()
        port = free_port()
        wire.serve(lambda _: None)
        async with peers.tcp_peer(peers.listener(came), port, patience_s=5.0):
            for place in (TcpPlace("127.0.0.1", port), SerialPlace(wire.path, 115200, "N", 1)):
                await attack(place)
        assert bytes(came) == b""

    async def attack(place: Place) -> None:
        line = line_to(place)
        await line.connect(2.0)
        client = line._client  # noqa: SLF001 - the one thing that could send
        assert client is not None
        for attempt in (client.write_register(0, 1), client.write_coil(0, True), client.read_coils(0)):
            with pytest.raises(GateClosedError):
                await attempt
        line.leave()

    asyncio.run(main())
    assert bytes(wire.received) == b""


def test_serial_wire_sees_reads_only(wire: SerialWire, map_file: Path) -> None:
    unit = peers.RtuUnit(peers.image(peers.REGISTERS))
    wire.serve(unit)

    async def main() -> None:
        adapter = make(
            config_from("modbus-rtu", {"name": "a", "pack": "A", "port": wire.path, "map": str(map_file)})
        )
        await adapter.open()
        for _ in range(3):
            await adapter.read()
        await adapter.close()

    asyncio.run(main())
    assert len(wire.received) == 8 * len(unit.requests) > 0
    assert {request[1] for request in unit.requests} == {3}


def test_serial_can_adapter_is_set_to_listen(wire: SerialWire, monkeypatch: pytest.MonkeyPatch) -> None:
    """The line protocol's set-up: close, speed, listen. 't' or 'T' would transmit, 'O' would acknowledge."""
    monkeypatch.setattr(can_port, "SETTLE_S", 0.0)
    wire.serve(lambda _: b"")

    async def main() -> None:
        keys = {
            "name": "b",
            "pack": "B",
            "interface": "slcan",
            "channel": wire.path,
            "binding": "common-closed-loop",
        }
        adapter = make(config_from("can", keys))
        await adapter.open()
        await asyncio.sleep(0.2)
        await adapter.close()
        await asyncio.sleep(0.1)

    asyncio.run(main())
    assert set(bytes(wire.received).split(b"\r")) <= {b"C", b"S6", b"L", b""}


def test_bus_is_closed_for_everybody(tmp_path: Path) -> None:
    channel = str(tmp_path)
    with (
        can.Bus(interface="virtual", channel=channel) as other,
        can.Bus(interface="virtual", channel=channel) as bus,
    ):
        allowed = RequestFrame(0x123, False, b"\x01", 1.0)
        listening = ListenOnlyBus(bus, [allowed])
        frame = can.Message(arbitration_id=0x123, data=b"\x01", is_extended_id=False)
        with pytest.raises(GateClosedError):
            bus.send(frame)
        with pytest.raises(GateClosedError):
            bus.send_periodic(frame, 0.01)
        with pytest.raises(GateClosedError):
            listening.ask(RequestFrame(0x123, False, b"\x02", 1.0))
        assert other.recv(0.05) is None
        listening.ask(allowed)
        heard = other.recv(1.0)
        assert heard is not None
        assert (heard.arbitration_id, bytes(heard.data)) == (0x123, b"\x01")


BINDING = """
[binding]
name = "asks"
source = "test"
[[signal]]
signal = "V"
channel = "pack_v"
[[request]]
id = 0x18900140
extended = true
data = "00 01"
every_s = 0.1
"""
DATABASE = 'VERSION ""\n\nBO_ 256 M: 8 X\n SG_ V : 0|16@1+ (0.01,0) [0|0] "V" X\n'


def test_requests_need_permission(tmp_path: Path) -> None:
    (tmp_path / "b.toml").write_text(BINDING)
    (tmp_path / "b.dbc").write_text(DATABASE)
    keys = {"name": "b", "pack": "B", "interface": "virtual", "channel": str(tmp_path), "binding": "b.toml"}
    keys |= {"database": "b.dbc"}
    with pytest.raises(ConfigError, match="allow_requests = true"):
        make(config_from("can", keys, tmp_path))

    async def main() -> list[can.Message]:
        with can.Bus(interface="virtual", channel=str(tmp_path)) as other:
            adapter = make(config_from("can", {**keys, "allow_requests": True}, tmp_path))
            await adapter.open()
            await asyncio.sleep(0.35)
            await adapter.close()
            frames = []
            while (frame := other.recv(0)) is not None:
                frames.append(frame)
            return frames

    frames = asyncio.run(main())
    assert len(frames) >= 2
    assert {(f.arbitration_id, f.is_extended_id, bytes(f.data)) for f in frames} == {
        (0x18900140, True, b"\x00\x01")
    }


def test_second_source_on_a_bus_may_bring_requests(tmp_path: Path) -> None:
    (tmp_path / "b.toml").write_text(BINDING)
    (tmp_path / "b.dbc").write_text(DATABASE)
    common = {"interface": "virtual", "channel": str(tmp_path)}
    quiet = {"name": "a", "pack": "A", "binding": "common-closed-loop", **common}
    asking = {
        "name": "b",
        "pack": "B",
        "binding": "b.toml",
        "database": "b.dbc",
        "allow_requests": True,
        **common,
    }

    async def main() -> can.Message | None:
        with can.Bus(interface="virtual", channel=str(tmp_path)) as other:
            first, second = (make(config_from("can", keys, tmp_path)) for keys in (quiet, asking))
            await first.open()
            await second.open()
            await asyncio.sleep(0.2)
            await second.close()
            await first.close()
            return other.recv(0)

    frame = asyncio.run(main())
    assert frame is not None
    assert frame.arbitration_id == 0x18900140


Filters: TypeAlias = list[dict[str, int | bool]] | None


class _KernelBus:
    """Stands in for a socketcan bus, which needs a kernel with CAN: notes filters, answers SO_MEMINFO."""

    def __init__(self, drops: int = 0, peer: socket.socket | None = None) -> None:
        self.filters: list[Filters] = []
        self.socket = self
        self.peer = peer
        self._drops = drops

    def send(self, *_: object) -> None:
        raise AssertionError

    _send_periodic_internal = send

    def set_filters(self, filters: Filters) -> None:
        self.filters.append(filters)

    def getsockopt(self, level: int, option: int, size: int) -> bytes:
        assert (level, option, size) == (socket.SOL_SOCKET, 55, 36)
        return struct.pack("9I", *range(8), self._drops)


def test_kernel_sorts_frames_out() -> None:
    bus = _KernelBus(drops=7)
    listening = ListenOnlyBus(bus)  # type: ignore[arg-type] # stands in for a bus
    listening.narrow([(0x18FF0001, True), (0x356, False)])
    listening.narrow(None)
    assert bus.filters == [
        [
            {"can_id": 0x356, "can_mask": 0x7FF, "extended": False},
            {"can_id": 0x18FF0001, "can_mask": 0x1FFFFFFF, "extended": True},
        ],
        None,
    ]
    assert listening.dropped == 7


def test_far_end_that_hangs_up_is_noticed() -> None:
    near, far = socket.socketpair()
    with near:
        listening = ListenOnlyBus(_KernelBus(peer=near))  # type: ignore[arg-type] # stands in for a bus
        assert not listening.hung_up
        far.send(b"x")
        assert not listening.hung_up
        near.recv(1)
        far.close()
        assert listening.hung_up
