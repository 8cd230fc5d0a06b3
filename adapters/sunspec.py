"""Batteries that follow the SunSpec models: found by themselves, no map needed."""

from __future__ import annotations

import time
from collections.abc import Iterable, Sequence

from adapters import sunspec_models as sm
from adapters.base import Reading
from adapters.configs import SunSpecRtuConfig, SunSpecTcpConfig
from adapters.errors import BadFrame, MapError, SourceLost, SourceTimeout
from adapters.modbus_line import NoSuchRegister
from adapters.on_line import UnitOnLine
from adapters.sunspec_decode import Battery, Model, borders, cuts, decode
from adapters.words import ascii_text

MOST_MODELS = 200
"""Models to walk over before the chain is taken for broken."""


class SunSpecAdapter(UnitOnLine):
    """One pack behind a SunSpec device.

    Parameters
    ----------
    config : SunSpecTcpConfig or SunSpecRtuConfig
        The source.
    """

    def __init__(self, config: SunSpecTcpConfig | SunSpecRtuConfig) -> None:
        super().__init__(config)
        self._config = config
        self._battery: Battery | None = None
        self._sign = 1 if config.positive == "charge" else -1

    @property
    def bit_names(self) -> dict[str, dict[int, str]]:
        """Names of warning and protection bits."""
        return {
            "warnings": {b: words for b, words in sm.EVENTS.items() if sm.WARNING_BITS >> b & 1},
            "protections": {b: words for b, words in sm.EVENTS.items() if sm.PROTECTION_BITS >> b & 1},
        }

    @property
    def complaint(self) -> str | None:
        """Why the wanted period is not kept, in one line; None if it is."""
        return self.pace.complaint(self.place)

    async def open(self) -> None:
        """Connect, find the models, and decide which of them are this pack.

        Raises
        ------
        SourceError
            If nobody answers.
        MapError
            If there are no battery models, or several strings and none is chosen.
        """
        try:
            await self._connect()
            models = await self.discover()
            self._battery = await self._choose(models)
        except BaseException:
            await self.close()
            raise

    async def discover(self) -> list[Model]:
        """Find the mark and walk the chain of models behind it.

        Raises
        ------
        MapError
            If there is no mark, or the chain does not end.
        """
        bases = sm.BASES if self._config.base is None else (self._config.base,)
        silent: list[SourceTimeout] = []
        for base in bases:
            try:
                mark = tuple(await self._ask(3, base, 2))
            except BadFrame:
                continue
            except SourceTimeout as exc:  # some devices do not even refuse what they have not
                silent.append(exc)
                continue
            if mark == sm.MARK:
                return await self._walk(base + 2)
        if len(silent) == len(bases):
            raise silent[-1]
        listed = ", ".join(map(str, bases))
        raise MapError(
            f"{self.place}: no SunSpec mark at register {listed}", "use kind modbus-tcp with a register map"
        )

    async def _walk(self, address: int) -> list[Model]:
        models: list[Model] = []
        while len(models) < MOST_MODELS and address <= 65534:
            number, length = await self._ask(3, address, 2)
            if number == sm.END:
                return models
            models.append(Model(number, address, length))
            address += 2 + length
        raise MapError(
            f"{self.place}: the chain of SunSpec models does not end", "check the device's firmware"
        )

    async def _choose(self, models: Sequence[Model]) -> Battery:
        named = {number: [m for m in models if m.number == number] for number in (1, 802, 803, 804, 805)}
        await self._read_identity(named[1], named[805])
        strings = [(m, await self._index(m, sm.STRING["Idx"])) for m in named[804]]
        modules = [
            (m, await self._index(m, sm.MODULE["StrIdx"]), await self._index(m, sm.MODULE["ModIdx"]))
            for m in named[805]
            if m.length >= sm.MODULE_FIXED - 2
        ]
        wanted = self._wanted_string({index for _, index in strings} | {index for _, index, _ in modules})
        string = next((m for m, index in strings if index == wanted), None)
        chosen = sorted(
            ((index, m) for m, of, index in modules if of == wanted and self._config.module in {None, index}),
            key=lambda pair: pair[0],
        )
        battery = Battery(
            next(iter(named[802]), None), next(iter(named[803]), None), string, tuple(m for _, m in chosen)
        )
        if not battery.models:
            found = ", ".join(str(m.number) for m in models) or "none"
            raise MapError(
                f"{self.place}: no battery among its SunSpec models ({found})", "check host and unit"
            )
        return battery

    def _wanted_string(self, there: Iterable[int]) -> int | None:
        indices = sorted(set(there))
        if self._config.string is not None:
            if indices and self._config.string not in indices:
                raise MapError(f"{self.place}: no string {self._config.string}", f"there are: {indices}")
            return self._config.string
        if len(indices) > 1:
            raise MapError(f"{self.place}: several strings ({indices})", "say which is this pack: string = 1")
        return indices[0] if indices else None

    async def _index(self, model: Model, point: sm.Point) -> int:
        return (await self._ask(3, model.address + point.offset, 1))[0]

    async def _read_identity(self, common: Sequence[Model], modules: Sequence[Model]) -> None:
        if common:
            for name, (offset, length) in sm.COMMON_TEXTS.items():
                self.identity[name] = ascii_text(await self._ask(3, common[0].address + offset, length))
        for number, module in enumerate(modules, start=1):
            offset, length = sm.SERIAL_805
            self.identity[f"module {number} serial"] = ascii_text(
                await self._ask(3, module.address + offset, length)
            )

    async def read(self) -> Reading:
        """Poll every model of the pack once.

        Raises
        ------
        SourceError
            See `adapters.modbus_line.Line.ask`.
        """
        if self._battery is None:
            raise SourceLost(f"{self.place}: not open", "open it first")
        began = time.monotonic()
        registers: dict[int, int] = {}
        try:
            for model in self._battery.models:
                await self._fetch(model, registers)
        except (BadFrame, SourceTimeout) as exc:
            self.pace.skip()
            if not isinstance(exc, NoSuchRegister):
                raise
            raise SourceLost(exc.message, "the device changed its models; it is opened again") from exc
        values, rejected = decode(self._battery, registers, self._sign)
        now = time.monotonic()
        self.pace.note(began, now)
        return Reading(self._config.subject, now, values, rejected)

    async def _fetch(self, model: Model, registers: dict[int, int]) -> None:
        end = model.address + 2 + model.length
        for start, stop in cuts(model.address, end, borders(model)):
            words = await self._ask(3, start, stop - start)
            registers.update(zip(range(start, stop), words, strict=True))

    async def close(self) -> None:
        """Let go of the wire. Never raises."""
        await super().close()
        self._battery = None
