"""The live bank read back over real wires by plain clients of the protocol libraries."""

import asyncio
import contextlib
import os
import signal
import subprocess
import sys
from pathlib import Path

import can
import cantools
import pytest
from cantools.database import Database
from pymodbus.client import AsyncModbusTcpClient, ModbusSerialClient

from sample_data.can_peer import frames
from sample_data.live import Places, _can, _modbus
from sample_data.modbus_peer import ModbusPeer, pack_image

PACK = {
    "pack_v": 5312,
    "pack_a": -1250,
    "soc": 8700,
    "remaining_ah": 2436,
    "full_ah": 2800,
    **{f"cell_{i:02d}_v": 3300 + i for i in range(1, 17)},
    **{f"temp_{i}": -35 + 10 * i for i in range(1, 6)},
    "heater_on": 1,
    "charge_enabled": 0,
    "discharge_enabled": 1,
    "balancing": 0,
    "charge_limit_a": 350,
    "discharge_limit_a": 1400,
    "charge_limit_v": 5620,
    "warnings": 8,
    "protections": 4,
    "balancing_cells": 0x8001,
}
HALL = {"dc_v": 5305, "dc_a": -2500, "ac_w": 1234, "soc_seen": 8600, "ambient": -28}
DATABASE = "sample_data/maps/orchard-b.dbc"


def test_pack_a_counts_discharge_as_positive() -> None:
    # −12.5 A charging-positive is 125 tenths of an ampere of discharge, by hand.
    image = pack_image(PACK)
    assert image[0x0101] == 125
    assert image[0x0130] == 400 - 25
    assert image[0x0140] == 0b0110


def test_modbus_tcp_answers_a_plain_client_and_refuses_writing() -> None:
    async def talk() -> None:
        peer = ModbusPeer()
        peer.show(PACK, HALL)
        async with contextlib.AsyncExitStack() as stack:
            place = await _modbus(peer, Places(), stack)
            client = AsyncModbusTcpClient("127.0.0.1", port=int(place.rsplit(":", 1)[1]))
            await client.connect()
            stack.callback(client.close)
            cells = await client.read_holding_registers(0x0110, count=16, device_id=1)
            assert cells.registers == [3300 + i for i in range(1, 17)]
            hall = await client.read_input_registers(0, count=6, device_id=2)
            assert hall.registers == [5305, (1 << 16) - 250, 0, 1234, 86, (1 << 16) - 28]
            assert (await client.write_register(0x0100, 1, device_id=1)).isError()
            # Past the last register: exception 02 (Modbus Application Protocol V1.1b3, section 7)
            assert (await client.read_holding_registers(0x018F, count=2, device_id=1)).exception_code == 2
            assert (await client.read_holding_registers(0x0100, count=2, device_id=7)).isError()

    asyncio.run(talk())


def test_modbus_rtu_answers_on_a_pseudo_terminal() -> None:
    def ask(port: str) -> list[int]:
        with contextlib.closing(ModbusSerialClient(port, baudrate=9600, timeout=2)) as client:
            assert client.connect()
            return list(client.read_holding_registers(0x0110, count=16, device_id=1).registers)

    async def talk() -> None:
        peer = ModbusPeer()
        peer.show(PACK, HALL)
        async with contextlib.AsyncExitStack() as stack:
            place = await _modbus(peer, Places(rtu=True), stack)
            registers = await asyncio.to_thread(ask, place.removeprefix("rtu="))
            assert registers == [3300 + i for i in range(1, 17)]

    asyncio.run(talk())


def _decoded(messages: list[can.Message]) -> dict[str, float]:
    database = cantools.database.load_file(DATABASE)
    assert isinstance(database, Database)
    out: dict[str, float] = {}
    for message in messages:
        values = database.decode_message(message.arbitration_id, bytes(message.data), decode_choices=False)
        assert isinstance(values, dict)
        for name, value in values.items():
            assert isinstance(value, int | float)
            out[name] = value
    return out


def test_frames_are_what_the_database_says() -> None:
    values = _decoded(frames(PACK, 7))
    assert values["PackVoltage"] == pytest.approx(53.12)
    assert values["PackCurrent"] == pytest.approx(-12.5)
    assert [values[f"Cell{i:02d}"] for i in range(1, 17)] == pytest.approx(
        [3.3 + i / 1000 for i in range(1, 17)]
    )
    assert [values[f"Temp{i}"] for i in range(1, 6)] == pytest.approx([-2.5, -1.5, -0.5, 0.5, 1.5])
    assert (values["Flags"], values["Warnings"], values["Protections"]) == (6, 8, 4)
    assert values["BalancingCells"] == 0x8001
    assert values["ChargeLimitVoltage"] == pytest.approx(56.2)


def test_can_over_a_serial_line() -> None:
    adapter, place = _can(Places(can_interface="slcan"))
    assert adapter is not None
    bus = can.Bus(
        interface="slcan",
        channel=place.removeprefix("can=slcan:"),
        bitrate=500000,
        sleep_after_open=0,
        timeout=0.1,
    )
    heard = []
    try:
        adapter.send(frames(PACK, 0)[0])
        for frame in frames(PACK, 1):
            adapter.send(frame)
        while (message := bus.recv(0.5)) is not None:
            heard.append(message)
    finally:
        bus.shutdown()
        adapter.shutdown()
    assert _decoded(heard)["Cell16"] == pytest.approx(3.316)


@pytest.mark.slow
def test_the_service_runs_as_a_process_and_stops_cleanly(tmp_path: Path) -> None:
    saved = tmp_path / "state.json"
    # A port of our own for the multicast: two test runs must not hear each other.
    port = 20000 + os.getpid() % 20000
    command = [
        sys.executable,
        "-P",
        "-m",
        "sample_data.live",
        "--can-port",
        str(port),
        "--save-to",
        str(saved),
    ]
    with (
        can.Bus(interface="udp_multicast", channel="239.74.163.2", port=port) as bus,
        subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as service,
    ):
        assert service.stdout is not None
        ready = service.stdout.readline()
        assert ready.startswith("ready modbus=127.0.0.1:"), ready
        heard = [bus.recv(5) for _ in range(22)]
        service.send_signal(signal.SIGTERM)
        assert service.wait(10) == 0
    values = _decoded([m for m in heard if m is not None])
    assert 2.5 < values["Cell11"] < 3.7
    assert saved.exists()
