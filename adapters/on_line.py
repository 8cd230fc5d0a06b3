"""What packs on a Modbus wire have in common, with a register map or with SunSpec."""

from __future__ import annotations

from collections.abc import Sequence

from adapters.base import Subject
from adapters.configs import ModbusRtuConfig, ModbusTcpConfig, SunSpecRtuConfig, SunSpecTcpConfig
from adapters.errors import SourceLost
from adapters.modbus_line import Line, line_to
from adapters.pace import Pace
from adapters.places import Place, SerialPlace, TcpPlace

UnitConfig = ModbusTcpConfig | ModbusRtuConfig | SunSpecTcpConfig | SunSpecRtuConfig


def place_of(config: UnitConfig) -> Place:
    """The wire of a source."""
    if isinstance(config, ModbusTcpConfig):
        return TcpPlace(config.host, config.port, "rtu" if config.framing == "rtu" else "tcp")
    if isinstance(config, SunSpecTcpConfig):
        return TcpPlace(config.host, config.port)
    return SerialPlace(config.port, config.baud, config.parity, config.stopbits)


class UnitOnLine:
    """One unit on a Modbus wire that others may share.

    Attributes
    ----------
    pace : Pace
        Whether the wanted period is kept.
    identity : dict of str to str
        What the unit says about itself; read on opening.
    """

    def __init__(self, config: UnitConfig, pause_s: float = 0.0) -> None:
        self._unit = config
        self._place = place_of(config)
        self._pause_s = pause_s
        self._line: Line | None = None
        self.pace = Pace(config.period_s)
        self.identity: dict[str, str] = {}

    @property
    def subjects(self) -> tuple[Subject, ...]:
        """The pack or witness."""
        return (self._unit.subject,)

    @property
    def place(self) -> str:
        """Wire and unit id."""
        return f"{self._place} unit {self._unit.unit}"

    async def _connect(self) -> Line:
        if self._line is None:
            self._line = line_to(self._place)
        self.pace = Pace(self._unit.period_s)
        self.identity = {}
        await self._line.connect(max(self._unit.timeout_s, 1.0))
        return self._line

    async def _ask(self, function: int, address: int, count: int) -> Sequence[int]:
        if self._line is None:
            raise SourceLost(f"{self.place}: not open", "open it first")
        return await self._line.ask(
            function=function,
            address=address,
            count=count,
            unit=self._unit.unit,
            timeout_s=self._unit.timeout_s,
            pause_s=self._pause_s,
        )

    async def close(self) -> None:
        """Let go of the wire. Never raises."""
        if self._line is not None:
            self._line.leave(self)
        self._line = None
