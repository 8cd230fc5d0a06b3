"""Modbus packs over TCP or a serial line, read by a register map."""

from __future__ import annotations

import time
from collections.abc import Sequence

from adapters.base import Reading
from adapters.configs import ModbusRtuConfig, ModbusTcpConfig
from adapters.errors import BadFrame, MapError, SourceTimeout
from adapters.modbus_line import NoSuchRegister
from adapters.on_line import UnitOnLine
from adapters.pace import nice_period_s
from adapters.places import SerialPlace
from adapters.planner import Read, Rounds, wire_time_s
from adapters.registers import Check, RegisterMap, find_map, load_map

ENOUGH_FAILURES = 2
"""Reads of one round that may fail before the rest of the round is left out."""


class ModbusAdapter(UnitOnLine):
    """One pack on a Modbus wire.

    Parameters
    ----------
    config : ModbusTcpConfig or ModbusRtuConfig
        The source.

    Raises
    ------
    MapError
        If the map is missing or wrong.
    """

    def __init__(self, config: ModbusTcpConfig | ModbusRtuConfig) -> None:
        self.map: RegisterMap = load_map(find_map(config.map, config.folder))
        super().__init__(config, self.map.pause_s)
        self._rounds = Rounds(self.map)
        self._round = 0

    @property
    def channels(self) -> tuple[str, ...]:
        """Channels the map fills."""
        return self.map.channels

    @property
    def bit_names(self) -> dict[str, dict[int, str]]:
        """Names of warning and protection bits."""
        return self.map.bit_names

    @property
    def complaint(self) -> str | None:
        """Why the wanted period is not kept, or cannot be, in one line; None if it is."""
        load = sum(self._line.load.values()) if self._line is not None else 0.0
        if self._line is None or load <= 1.0:
            return self.pace.complaint(self.place)
        if not self._line.speaks(self):
            return None
        count = len(self._line.load)
        possible = nice_period_s(load * self._unit.period_s)
        return (
            f"{self._place}: {count} sources need {100 * load:.0f} % of the line's time for "
            f"period_s = {self._unit.period_s:g} — set period_s = {possible:g}, or raise the baud rate"
        )

    def least_period_s(self) -> float:
        """Time that the bits of one full round need on a serial wire; 0 on TCP. [s]"""
        if not isinstance(self._place, SerialPlace):
            return 0.0
        place = self._place
        return sum(
            wire_time_s(read, place.baud, place.gap_s + self.map.pause_s) for read in self._rounds.reads(0)
        )

    async def open(self) -> None:
        """Connect, read the identity, and see that the map fits.

        Raises
        ------
        SourceError
            If nobody answers.
        MapError
            If somebody answers who has not these registers, or other things in them.
        """
        try:
            line = await self._connect()
            line.claim(self, self.least_period_s() / self._unit.period_s)
            self._round = 0
            await self._fit()
        except BaseException:
            await self.close()
            raise

    async def _fit(self) -> None:
        for check in self.map.checks:
            self._judge(
                check, await self._fetch(check.function, check.address, check.width, f"check of {check.says}")
            )
        for identity in self.map.identities:
            try:
                registers = await self._ask(identity.function, identity.address, identity.length)
            except BadFrame:
                continue
            self.identity[identity.name] = identity.text(registers)
        for read in self._rounds.reads(0):
            await self._fetch(read.function, read.address, read.count, ", ".join(_names(read)))

    async def _fetch(self, function: int, address: int, count: int, what: str) -> Sequence[int]:
        try:
            return await self._ask(function, address, count)
        except NoSuchRegister as exc:
            remedy = f"check that {self.map.file} is for this model, and function, first and address in it"
            raise MapError(f'map "{self.map.name}" does not fit ({what}): {exc.message}', remedy) from exc

    def _judge(self, check: Check, registers: Sequence[int]) -> None:
        came = check.read(registers)
        if came in check.among if check.among is not None else check.low <= came <= check.high:
            return
        wanted = sorted(check.among) if check.among is not None else f"{check.low:g} to {check.high:g}"
        raise MapError(
            f'map "{self.map.name}" does not fit {self.place}: '
            f"{check.says} reads {came:g}, expected {wanted}",
            f"check that {self.map.file} is for this model",
        )

    async def read(self) -> Reading:
        """Poll once.

        Raises
        ------
        SourceError
            See `adapters.modbus_line.Line.ask`. If only some of the reads fail, the reading comes without
            their channels, which are listed as rejected.
        """
        began = time.monotonic()
        values: dict[str, int] = {}
        rejected: dict[str, str] = {}
        failures: list[BadFrame | SourceTimeout] = []
        reads = self._rounds.reads(self._round)
        for read in reads:
            if len(failures) < ENOUGH_FAILURES:
                try:
                    registers = await self._ask(read.function, read.address, read.count)
                except (BadFrame, SourceTimeout) as exc:
                    self.pace.skip()
                    if isinstance(exc, SourceTimeout) and not values:
                        raise
                    failures.append(exc)
                else:
                    read.decode(registers, values, rejected)
                    continue
            rejected.update(dict.fromkeys(_names(read), failures[-1].message))
        if failures and not values:
            raise failures[-1]
        self._round += 1
        now = time.monotonic()
        self.pace.note(began, now)
        return Reading(self._unit.subject, now, values, rejected)


def _names(read: Read) -> list[str]:
    return list(dict.fromkeys(item.rule.channel for item in read.items))
