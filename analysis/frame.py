"""One day of one pack as arrays: what every observer of a day reads."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

F64: TypeAlias = NDArray[np.float64]
F32: TypeAlias = NDArray[np.float32]
Bool: TypeAlias = NDArray[np.bool_]
Int: TypeAlias = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Frame:
    """A local calendar day of one pack, as recorded, with a short lead-in from the day before.

    Missing values are NaN. Nothing here has been cleaned: see `analysis.daily.hygiene`.

    Attributes
    ----------
    pack, day : str
        Pack name, and local date as YYYY-MM-DD.
    start_s, end_s : float
        UTC epoch seconds of the day's local midnights; 23, 24 or 25 hours apart. [s]
    lead : int
        Samples before `start_s`, kept so that the first interval of the day can be integrated.
    time_s : array, shape (n,)
        UTC epoch seconds, never decreasing. [s]
    pack_v : array, shape (n,)
        Voltage at the pack terminals. [V]
    pack_a : array, shape (n,)
        Current, positive while charging. [A]
    cells_v : array, shape (n_cells, n)
        Cell voltages; row 0 is cell 1. [V]
    temps_c : array, shape (n_temps, n)
        Temperatures; row 0 is sensor 1. [°C]
    extra : mapping of str to array, shape (n,)
        Every other channel of the catalogue that the pack gave, in its canonical unit; flags are 0 or 1.
    """

    pack: str
    day: str
    start_s: float
    end_s: float
    lead: int
    time_s: F64
    pack_v: F32
    pack_a: F32
    cells_v: F32
    temps_c: F32
    extra: Mapping[str, F64]

    @property
    def n_cells(self) -> int:
        """Number of cells in series."""
        return int(self.cells_v.shape[0])

    def channel(self, name: str) -> F64 | None:
        """Return one of the `extra` channels, or None if the pack never gave it."""
        return self.extra.get(name)

    def only(self, keep: Bool) -> Frame:
        """Return the frame with only these of its samples."""
        return replace(
            self,
            lead=int(keep[: self.lead].sum()),
            time_s=self.time_s[keep],
            pack_v=self.pack_v[keep],
            pack_a=self.pack_a[keep],
            cells_v=self.cells_v[:, keep],
            temps_c=self.temps_c[:, keep],
            extra={name: values[keep] for name, values in self.extra.items()},
        )


@dataclass(frozen=True, slots=True)
class WitnessFrame:
    """The same day seen by another instrument. Missing values are NaN.

    Attributes
    ----------
    name : str
        The witness.
    time_s : array, shape (m,)
        UTC epoch seconds. [s]
    channels : mapping of str to array, shape (m,)
        dc_v [V], dc_a [A, positive charges], ac_w [W], soc_seen [1], ambient [°C]; only those it gave.
    """

    name: str
    time_s: F64
    channels: Mapping[str, F64]
