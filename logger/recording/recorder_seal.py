"""Sealing beside the recorder, in a short-lived process: the recorder stays small and on time."""

from __future__ import annotations

import asyncio
import ctypes
import json
import logging
import os
import signal
import sys
from typing import TYPE_CHECKING

from adapters.errors import BankbookError, StoreDamaged

if TYPE_CHECKING:
    from logger.record.store import Store

log = logging.getLogger(__name__)

DAMAGED = 3
"""Exit code of the process when the record is corrupt."""
PR_SET_PDEATHSIG = 1  # prctl(2)


def anything_due(store: Store, now_ms: int) -> bool:
    """Whether some day is over and not sealed."""
    from logger.record.sealing_due import due_days

    with store.reading() as conn:
        return bool(due_days(conn, store, now_ms))


async def seal_beside(address: str, now_ms: int) -> list[str]:
    """Seal what is due in a process of its own; return a line for each day, or for what went wrong.

    Raises
    ------
    StoreDamaged
        If the record turns out to be corrupt.
    OSError
        If the process cannot be started.
    """
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-P", "-m", "logger.recording.recorder_seal", address, str(now_ms),
        stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip
    try:
        out, complaint = await process.communicate()
    except asyncio.CancelledError:
        process.kill()
        await process.wait()
        raise
    lines = [json.loads(line) for line in out.decode().splitlines() if line.startswith('"')]
    said = (complaint.decode(errors="replace").strip().splitlines() or ["no reason given"])[-1]
    if process.returncode == DAMAGED:
        raise StoreDamaged(said)
    if process.returncode:
        lines.append(f"sealing failed: {said}")
    return lines


def main() -> int:
    """Seal what is due in the record named on the command line."""
    address, now_ms = sys.argv[1], int(sys.argv[2])
    _end_with_parent()
    os.nice(10)
    from logger.record.store import Store

    try:
        with Store.open(address, write=True) as store:
            for sealed in store.seal_due(now_ms):
                text = f"{sealed.name} {sealed.day} sealed: {sealed.row_count} readings"
                print(
                    json.dumps(text if sealed.revision == 1 else f"{text}, revision {sealed.revision}"),
                    flush=True,
                )
    except StoreDamaged as error:
        print(error.message, file=sys.stderr)
        return DAMAGED
    except BankbookError as error:
        print(error, file=sys.stderr)
        return 1
    return 0


def _end_with_parent() -> None:
    """Ask the kernel to end this process when the recorder ends."""
    parent = os.getppid()
    ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)
    if parent == 1 or os.getppid() != parent:
        sys.exit(1)


if __name__ == "__main__":
    sys.exit(main())
