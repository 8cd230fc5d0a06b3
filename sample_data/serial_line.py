"""A serial cable made of two pseudo-terminals: what is written to one end comes out of the other."""

from __future__ import annotations

import asyncio
import os
import tty


class SerialLine:
    """A null-modem cable inside one running event loop.

    Attributes
    ----------
    device, user : str
        The two ends: the simulated device opens one, its user the other.
    """

    def __init__(self) -> None:
        self._ends: list[int] = []
        names = []
        for _ in range(2):
            near, far = os.openpty()
            tty.setraw(near)
            tty.setraw(far)
            os.set_blocking(near, False)
            # The far side stays open, so that the near side does not hang up between users.
            self._ends += [near, far]
            names.append(os.ttyname(far))
        self.device, self.user = names

    def connect(self) -> None:
        """Start carrying bytes; call it inside the event loop."""
        loop = asyncio.get_running_loop()
        first, second = self._ends[0], self._ends[2]
        loop.add_reader(first, _carry, first, second)
        loop.add_reader(second, _carry, second, first)

    def close(self) -> None:
        """Stop, and remove both ends."""
        loop = asyncio.get_running_loop()
        for near in (self._ends[0], self._ends[2]):
            loop.remove_reader(near)
        for end in self._ends:
            os.close(end)


def _carry(source: int, target: int) -> None:
    try:
        os.write(target, os.read(source, 4096))
    except BlockingIOError:
        # The other side reads nothing: a cable does not keep bytes.
        return
