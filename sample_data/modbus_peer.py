"""Pack A and the inverter as Modbus devices: registers laid out by us, answered by a real server.

`maps/orchard-a.toml` and `maps/orchard-hall.toml` describe these registers; nothing here reads them.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial

from pymodbus.constants import ExcCodes
from pymodbus.framer import FramerType
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

PACK_UNIT = 1
HALL_UNIT = 2
PACK_SPAN = (0x0100, 0x0190)
HALL_SPAN = (0x0000, 0x0007)
ABSENT = 0xFFFF
N_CELLS = 16
N_TEMPS = 5

Image = dict[int, int]
Values = Mapping[str, int]


def _unsigned(value: int | None, divisor: int = 1, plus: int = 0) -> int:
    if value is None:
        return ABSENT
    return min(0xFFFE, max(0, round(value / divisor) + plus))


def _signed(value: int | None, divisor: int = 1) -> int:
    if value is None:
        return 0x8000
    return min(32767, max(-32767, round(value / divisor))) & 0xFFFF


def _text(text: str, registers: int) -> list[int]:
    raw = text.encode("ascii").ljust(2 * registers, b"\0")[: 2 * registers]
    return [raw[2 * i] << 8 | raw[2 * i + 1] for i in range(registers)]


def pack_image(values: Values) -> Image:
    """Return the registers of pack A from stored integers; a positive current there means discharge."""
    get = values.get
    image = {
        0x0100: _unsigned(get("pack_v")),
        0x0101: _signed(-values["pack_a"], 10) if "pack_a" in values else 0x8000,
        0x0102: _unsigned(get("soc"), 10),
        0x0103: 100,
        0x0104: _unsigned(get("remaining_ah")),
        0x0105: _unsigned(get("full_ah")),
        0x0141: get("warnings", 0) & 0xFFFF,
        0x0142: get("protections", 0) & 0xFFFF,
        0x0143: get("balancing_cells", 0) & 0xFFFF,
        0x0150: _unsigned(get("charge_limit_a")),
        0x0151: _unsigned(get("discharge_limit_a")),
        0x0152: _unsigned(get("charge_limit_v"), 10),
        0x0170: N_CELLS,
    }
    flags = ("charge_enabled", "discharge_enabled", "heater_on", "balancing")
    image[0x0140] = sum((get(name, 0) & 1) << bit for bit, name in enumerate(flags))
    for cell in range(N_CELLS):
        image[0x0110 + cell] = _unsigned(get(f"cell_{cell + 1:02d}_v"))
    for sensor in range(N_TEMPS):
        image[0x0130 + sensor] = _unsigned(get(f"temp_{sensor + 1}"), plus=400)
    for start, text in ((0x0180, "HILL ORCHARD"), (0x0188, "PACK-A-0021")):
        image |= dict(enumerate(_text(text, 8), start=start))
    return image


def hall_image(values: Values) -> Image:
    """Return the registers of the inverter: 32-bit power with its high half first."""
    watts = values.get("ac_w", 0) & 0xFFFFFFFF
    return {
        0x0000: _unsigned(values.get("dc_v")),
        0x0001: _signed(values.get("dc_a"), 10),
        0x0002: watts >> 16,
        0x0003: watts & 0xFFFF,
        0x0004: _unsigned(values.get("soc_seen"), 100),
        0x0005: _signed(values.get("ambient")),
    }


async def _fill(
    image: Image,
    function_code: int,
    start: int,
    address: int,
    count: int,
    registers: list[int],
    values: list[int] | list[bool] | None,
) -> ExcCodes | None:
    """Answer a read from the image; refuse everything else."""
    if values is not None or function_code not in (3, 4):
        return ExcCodes.ILLEGAL_FUNCTION
    for at in range(address, address + count):
        registers[at - start] = image.get(at, 0)
    return None


class ModbusPeer:
    """The two devices behind one address; `show` renews what they answer."""

    def __init__(self) -> None:
        self._pack: Image = {}
        self._hall: Image = {}

    def show(self, pack: Values, hall: Values) -> None:
        """Put new values into the registers."""
        self._pack.update(pack_image(pack))
        self._hall.update(hall_image(hall))

    def devices(self) -> list[SimDevice]:
        """Return the devices for a server."""
        spans = ((PACK_UNIT, PACK_SPAN, self._pack), (HALL_UNIT, HALL_SPAN, self._hall))
        # Unit 0 stands for every other: it knows no register, and says so.
        nobody = SimDevice(0, simdata=[SimData(0, count=1, datatype=DataType.INVALID)])
        return [nobody] + [
            SimDevice(
                unit,
                simdata=[
                    SimData(low, count=high - low, values=0, datatype=DataType.REGISTERS, readonly=True)
                ],
                action=partial(_fill, image),
            )
            for unit, (low, high), image in spans
        ]

    def tcp_server(self, host: str, port: int) -> ModbusTcpServer:
        """Return a server on TCP; the caller runs its `serve_forever`."""
        return ModbusTcpServer(self.devices(), framer=FramerType.SOCKET, address=(host, port))

    def serial_server(self, port: str, baud: int = 9600) -> ModbusSerialServer:
        """Return a server on a serial line; the caller runs its `serve_forever`."""
        return ModbusSerialServer(
            self.devices(),
            framer=FramerType.RTU,
            port=port,
            baudrate=baud,
            parity="N",
            stopbits=1,
            bytesize=8,
        )
