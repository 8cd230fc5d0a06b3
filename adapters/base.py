"""The contract between a wire and the logger: `Reading`, and the `Adapter` that yields it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, Protocol, runtime_checkable

SubjectKind = Literal["pack", "witness"]


@dataclass(frozen=True, slots=True)
class Subject:
    """What a source speaks about: a pack or a witness, by its name in the configuration."""

    name: str
    kind: SubjectKind = "pack"


@dataclass(frozen=True, slots=True)
class Reading:
    """All channels of one subject at one instant.

    Attributes
    ----------
    subject : Subject
        The pack or witness.
    monotonic_s : float
        `time.monotonic()` when the last of its values arrived. [s]
    values : mapping of str to int
        Channel name to stored integer (see `adapters.channels`). A channel that was not seen is absent.
    rejected : mapping of str to str
        Channel name to reason, for values that were dropped because they cannot be right.
    time_ms : int or None
        Wall-clock time in ms UTC if the source carries its own (files, captures); else None, and the
        logger stamps it.
    """

    subject: Subject
    monotonic_s: float
    values: Mapping[str, int]
    rejected: Mapping[str, str] = field(default_factory=dict)
    time_ms: int | None = None


@runtime_checkable
class Adapter(Protocol):
    """One source on one wire. It only listens: see `adapters` for what may leave.

    `open` and `read` raise `adapters.errors.SourceError`; after `SourceLost` the caller closes and opens
    again. `close` never raises. A finite source (replay) raises `StopAsyncIteration` at its end.
    """

    @property
    def subjects(self) -> tuple[Subject, ...]:
        """The packs and witnesses this source speaks about."""
        ...

    @property
    def place(self) -> str:
        """Where it is, for messages: 'tcp 127.0.0.1:15020 unit 1'."""
        ...

    async def open(self) -> None:
        """Connect. Idempotent after `close`."""
        ...

    async def read(self) -> Reading:
        """Return the next reading: poll once, or wait for the next assembled round."""
        ...

    async def close(self) -> None:
        """Let go of the wire. Never raises, may be called twice."""
        ...
