"""Exit codes, for scripts. The README's table is held to this one by a test."""

from __future__ import annotations

from enum import IntEnum

from adapters.errors import BankbookError, ConfigError, ImportFormatError, SourceError, StoreError


class Exit(IntEnum):
    """What a command's exit code means."""

    DONE = 0
    NOT_WELL = 1
    USAGE = 2
    CONFIG = 3
    SOURCE = 4
    RECORD = 5
    IMPORT = 6
    INTERNAL = 70
    INTERRUPTED = 130


MEANING: dict[Exit, str] = {
    Exit.DONE: "done, and nothing to complain about",
    Exit.NOT_WELL: "done, but the answer is not good: a damaged record, attention needed, or nothing found",
    Exit.USAGE: "the command line is wrong",
    Exit.CONFIG: "bank.toml, a register map or a CAN binding is wrong",
    Exit.SOURCE: "a port, an adapter or a pack does not answer",
    Exit.RECORD: "the record is missing, in use by another logger, damaged, or its disk is full",
    Exit.IMPORT: "a file to import is not what it should be",
    Exit.INTERNAL: "a fault in bankbook itself; set BANKBOOK_DEBUG=1 to see where",
    Exit.INTERRUPTED: "stopped by Ctrl-C",
}


def code_of(error: BankbookError) -> Exit:
    """Return the exit code that belongs to an error."""
    for kind, code in (
        (ConfigError, Exit.CONFIG),
        (ImportFormatError, Exit.IMPORT),
        (StoreError, Exit.RECORD),
        (SourceError, Exit.SOURCE),
    ):
        if isinstance(error, kind):
            return code
    return Exit.INTERNAL
