"""Whether worker processes can help."""

from __future__ import annotations

import os
from pathlib import Path


def can_start() -> bool:
    """Whether a worker process can begin: it goes to our folder first.

    `sudo -u bankbook` leaves the caller's folder as it is, and that may be a home closed to others. The work
    is then done in this process.
    """
    try:
        os.chdir(Path.cwd())
    except OSError:
        return False
    return True
