"""Hysteresis and hold time: the difference between a warning and a flicker."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(slots=True)
class Latch:
    """Goes up after its condition held for `hold_s`, down after its release held for `release_s`.

    Between the two thresholds nothing changes, and a value that cannot be told changes nothing either.
    Time only ever comes from the caller; a step backwards restarts the hold.

    Attributes
    ----------
    hold_s, release_s : float
        How long the condition, and the release, must last. [s]
    up : bool
        Whether the warning stands.
    """

    hold_s: float
    release_s: float
    up: bool = False
    _since_s: float | None = None

    def update(self, now_s: float, *, over: bool, clear: bool) -> Literal["raised", "cleared"] | None:
        """Take in one observation.

        Parameters
        ----------
        now_s : float
            Any clock that runs evenly. [s]
        over : bool
            The condition for the warning holds.
        clear : bool
            The condition for its end holds; never together with `over`.

        Returns
        -------
        {"raised", "cleared"} or None
            What changed.
        """
        wanted = clear if self.up else over
        if not wanted:
            self._since_s = None
            return None
        if self._since_s is None or now_s < self._since_s:
            self._since_s = now_s
        if now_s - self._since_s < (self.release_s if self.up else self.hold_s):
            return None
        self.up, self._since_s = not self.up, None
        return "raised" if self.up else "cleared"
