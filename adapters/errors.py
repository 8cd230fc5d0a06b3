"""The one error tree of bankbook.

::

    BankbookError
    ├── ConfigError (ValueError)        the user's file is wrong: stop, name key, value, remedy
    │   └── MapError                    a register map or CAN binding is wrong or does not fit
    ├── SourceError (OSError)           something on the wire
    │   ├── SourceTimeout (TimeoutError)  no answer in time: retry
    │   ├── SourceLost (ConnectionError)  the device or port is gone: close, reopen
    │   └── BadFrame                    an answer that cannot be right: drop it, count it, retry
    ├── ImportFormatError (ValueError)  a file to import is not what it should be: stop that file
    └── StoreError (RuntimeError)       the record itself
        ├── StoreLocked                 another logger writes this file: stop
        ├── StoreDamaged                the file is corrupt: move aside, start anew, salvage
        └── StoreFull                   no space or read-only: buffer, say so, go on
"""

from __future__ import annotations


class BankbookError(Exception):
    """Base of all. The message is one line for a person; `remedy` says what to do about it."""

    def __init__(self, message: str, remedy: str = "") -> None:
        super().__init__(message if not remedy else f"{message} — {remedy}")
        self.message = message
        self.remedy = remedy


class ConfigError(BankbookError, ValueError):
    """The configuration names something wrong. Stop and tell: key, value, remedy."""


class MapError(ConfigError):
    """A register map or CAN binding is wrong, or does not fit the pack."""


class SourceError(BankbookError, OSError):
    """Something went wrong on the wire. The source is retried; others go on."""


class SourceTimeout(SourceError, TimeoutError):
    """No answer in time. Retry; after several, reopen."""


class SourceLost(SourceError, ConnectionError):
    """The port, adapter or peer is gone. Close and reopen."""


class BadFrame(SourceError):
    """An answer that cannot be right (checksum, length, exception). Drop, count, retry."""


class ImportFormatError(BankbookError, ValueError):
    """A file to import is not what it should be. Names line and reason."""


class StoreError(BankbookError, RuntimeError):
    """The record itself."""


class StoreLocked(StoreError):
    """Another logger is writing this file. Stop."""


class StoreDamaged(StoreError):
    """The file is corrupt. Move it aside, start a new one, salvage."""


class StoreFull(StoreError):
    """No space, or the disk is read-only. Keep the newest in memory, say so, go on."""
