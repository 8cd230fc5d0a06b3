"""From frames to readings: keeps the newest frame of every kind, and puts one reading together when asked."""

from __future__ import annotations

from adapters.binding import Binding
from adapters.can_plan import Extract, Group, decode_group, extractor, groups_of
from adapters.words import bytes_text


class _Switch:
    """Which groups a multiplexed frame feeds."""

    def __init__(self, groups: list[tuple[int, Group]]) -> None:
        self._tests = [
            ([(extractor(bits), bits.size, ids) for bits, ids in group.condition], number)
            for number, group in groups
        ]
        muxes = {group.condition[0][0] for _, group in groups}
        self._table: dict[float, tuple[int, ...]] | None = None
        if len(muxes) == 1 and all(len(group.condition) == 1 for _, group in groups):
            (bits,) = muxes
            self._read: Extract = extractor(bits)
            self._size = bits.size
            self._table = {}
            for number, group in groups:
                for state in group.condition[0][1]:
                    self._table[state] = (*self._table.get(state, ()), number)

    def fed(self, payload: bytes) -> tuple[int, ...]:
        """Numbers of the groups that this frame feeds."""
        if self._table is not None:
            return self._table.get(self._read(payload), ()) if len(payload) >= self._size else ()
        return tuple(
            number
            for tests, number in self._tests
            if all(len(payload) >= size and read(payload) in ids for read, size, ids in tests)
        )


class Assembler:
    """Keeps the newest frame of every group and makes readings of them.

    Parameters
    ----------
    binding : Binding
        What to listen for.

    Attributes
    ----------
    newest_s : float
        When the newest frame of the binding came. [s]
    fresh : bool
        Whether one came since the last reading.
    """

    def __init__(self, binding: Binding) -> None:
        self.binding = binding
        self._groups = groups_of(binding)
        self._payload: list[bytes] = [b""] * len(self._groups)
        self._time_s: list[float] = [float("-inf")] * len(self._groups)
        self._direct: dict[int, int] = {}
        muxed: dict[int, list[tuple[int, Group]]] = {}
        for number, group in enumerate(self._groups):
            if group.condition:
                muxed.setdefault(group.key, []).append((number, group))
            else:
                self._direct[group.key] = number
        self._muxed = {key: _Switch(groups) for key, groups in muxed.items()}
        self._missing = set(binding.complete)
        self._texts: dict[int, bytes] = {key: b"" for text in binding.identities for key in text.keys}
        self.newest_s = float("-inf")
        self.fresh = False

    @property
    def keys(self) -> frozenset[int]:
        """Frame keys the binding reads, or counts as ends of a round."""
        return frozenset(group.key for group in self._groups) | self.binding.complete | set(self._texts)

    @property
    def complete(self) -> bool:
        """Whether every message that completes a round has come since the last reading."""
        return bool(self.binding.complete) and not self._missing

    @property
    def identity(self) -> dict[str, str]:
        """What the pack said about itself; a text of several frames once all of them came."""
        found: dict[str, str] = {}
        for text in self.binding.identities:
            parts = [self._texts[key] for key in text.keys]
            if all(parts):
                found[text.name] = bytes_text(*parts)
        return found

    def take(self, key: int, payload: bytes, time_s: float) -> None:
        """Take a frame: its key, its bytes, when it came. [s]"""
        number = self._direct.get(key)
        if number is not None:
            self._payload[number] = payload
            self._time_s[number] = time_s
        switch = self._muxed.get(key)
        if switch is not None:
            for place in switch.fed(payload):
                self._payload[place] = payload
                self._time_s[place] = time_s
        elif number is None:
            if key in self._texts:
                self._texts[key] = payload
            self._missing.discard(key)
            return
        self.newest_s = time_s
        self.fresh = True
        if self._missing:
            self._missing.discard(key)

    def snapshot(self, now_s: float) -> tuple[dict[str, int], dict[str, str]]:
        """Decode what is not stale.

        Parameters
        ----------
        now_s : float
            Time now, on the clock of `take`. [s]

        Returns
        -------
        (dict, dict)
            Stored integers by channel, and reasons for refused values by channel.
        """
        values: dict[str, int] = {}
        rejected: dict[str, str] = {}
        self.fresh = False
        if self.binding.complete:
            self._missing = set(self.binding.complete)
        for group, payload, time_s in zip(self._groups, self._payload, self._time_s, strict=True):
            age_s = now_s - time_s
            if age_s <= group.stale_s:
                decode_group(group, payload, age_s, values, rejected)
        return values, rejected
