"""The command tree. Starts fast: commands import what they need only when they run."""

from __future__ import annotations

import io
import os
import sys
from typing import NoReturn

import typer

from adapters.errors import BankbookError
from logger.commands import answers, captest, demo, documents, files, fleet, record, run, setup, where, wire
from logger.exits import Exit, code_of
from logger.record.address import shown

app = typer.Typer(
    name="bankbook",
    help="The book of record of a battery bank: logs it for years, then says from data how it is doing.",
    epilog="Start with: bankbook demo. Every command takes --config FILE, or BANKBOOK_CONFIG names it.",
    invoke_without_command=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)
app.callback()(where.bare)
for module in (demo, setup, wire, run, files, answers, captest, documents, record, fleet):
    module.add(app)


def main() -> None:
    """Run the command line; errors become one line and an exit code."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a terminal without our signs shows a ? for them
            stream.reconfigure(errors="replace")
    try:
        try:
            app()
        finally:
            sys.stdout.flush()  # a reader that has gone shows here, and not at the interpreter's end
    except SystemExit as exc:
        if isinstance(exc.__context__, BrokenPipeError):
            _reader_gone()
        raise
    except BankbookError as exc:
        _fail(str(exc), code_of(exc))
    except KeyboardInterrupt:
        _fail("stopped", Exit.INTERRUPTED)
    except BrokenPipeError:
        _reader_gone()
    except PermissionError as exc:
        if os.environ.get("BANKBOOK_DEBUG"):
            raise
        what = exc.filename or "something it needs"
        hint = "put it where this user may go, or run this as the user who owns it"
        _fail(f"{what}: permission denied — {hint}", Exit.RECORD)
    except Exception as exc:
        if os.environ.get("BANKBOOK_DEBUG"):
            raise
        where = "a fault in bankbook; BANKBOOK_DEBUG=1 shows where"
        _fail(f"{type(exc).__name__}: {exc} — {where}", Exit.INTERNAL)


def _reader_gone() -> NoReturn:
    """End quietly: whoever read our output, such as `head`, has enough."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.__stdout__.fileno() if sys.__stdout__ else 1)
    sys.exit(Exit.DONE)


def _fail(message: str, code: Exit) -> None:
    print(f"bankbook: {shown(' '.join(message.split()))}", file=sys.stderr)
    sys.exit(code)
