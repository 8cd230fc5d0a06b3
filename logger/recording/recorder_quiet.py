"""Keeping the journal short: the same kind of line only so often."""

from __future__ import annotations

import logging
from collections.abc import Callable

MOST = 12
"""Lines of one kind within an hour; then one more that says so."""
SPAN_S = 3600.0


class Quiet:
    """Passes lines to the journal, but not the same kind again and again.

    Parameters
    ----------
    log : logging.Logger
    now_s : callable
        A clock. [s]
    """

    def __init__(self, log: logging.Logger, now_s: Callable[[], float]) -> None:
        self._log = log
        self._now_s = now_s
        self._seen: dict[str, tuple[float, int]] = {}

    def say(
        self, kind: str, level: int, text: str, *args: object, cause: BaseException | None = None
    ) -> None:
        """Write a line unless its kind had its share; `cause` adds where an error came from."""
        now = self._now_s()
        start, count = self._seen.get(kind, (now, 0))
        if not 0 <= now - start < SPAN_S:
            start, count = now, 0
        self._seen[kind] = (start, count + 1)
        if count < MOST:
            self._log.log(level, text, *args, exc_info=cause)
        elif count == MOST:
            self._log.log(level, "%s: more of these are not shown within the hour", kind)
