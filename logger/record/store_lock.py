"""One logger a record: a lock on a file beside it, released by the system when its holder ends."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path
from typing import ClassVar

from adapters.errors import StoreLocked


class WriterLock:
    """The right to log into one record."""

    _here: ClassVar[set[Path]] = set()

    def __init__(self, record: str) -> None:
        self._path = Path(f"{record}.lock")
        self._record = record
        self._file: int | None = None

    def take(self) -> None:
        """Take it.

        Raises
        ------
        StoreLocked
            If another process has it; the message names that process.
        """
        file = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            holder = os.read(file, 32).decode(errors="replace").strip() or "unknown"
            os.close(file)
            raise StoreLocked(
                f"another logger (process {holder}) writes {self._record}",
                "stop it first, for example with `systemctl stop bankbook`, or log into another file",
            ) from error
        self._file = file
        self._here.add(self._path.absolute())
        self._sign(file)

    def release(self) -> None:
        """Give it back. May be called twice."""
        if self._file is not None:
            os.close(self._file)
            self._file = None
            self._here.discard(self._path.absolute())

    @classmethod
    def held_here(cls, record: str) -> bool:
        """Whether this very process holds the lock of a record."""
        return Path(f"{record}.lock").absolute() in cls._here

    @staticmethod
    def _sign(file: int) -> None:
        try:
            os.ftruncate(file, 0)
            os.pwrite(file, f"{os.getpid()}\n".encode(), 0)
        except OSError:
            return  # a full disk cannot hold the number; the lock itself holds all the same
