"""Column names of the open Battery Data Format, for tools that expect them.

References
----------
batterydf 0.1.0 (Python package of the Battery Data Alliance), bdf/normalize/spec.py: required are
"Test Time / s", "Voltage / V" and "Current / A". What it has no name for keeps the catalogue's, with unit.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pyarrow as pa

from adapters.channels import Channel

_NAMES = {
    "pack_v": "Voltage / V",
    "pack_a": "Current / A",
    "ambient": "Ambient Temperature / degC",
    "cycles_reported": "Cycle Count / 1",
    "dc_v": "Voltage / V",
    "dc_a": "Current / A",
    **{f"temp_{i}": f"Surface Temperature T{i} / degC" for i in range(1, 6)},
}
_UNITS = {"°C": "degC", "": "1"}


def bdf_name(channel: Channel) -> str:
    """Return a channel's column name.

    Examples
    --------
    >>> from adapters.channels import CATALOGUE
    >>> bdf_name(CATALOGUE["pack_v"]), bdf_name(CATALOGUE["cell_01_v"])
    ('Voltage / V', 'cell_01_v / V')
    """
    return _NAMES.get(channel.name, f"{channel.name} / {_UNITS.get(channel.unit, channel.unit)}")


def as_bdf(physical: pa.Table, catalogue: Mapping[str, Channel], start_ms: int) -> pa.Table:
    """Rename a table in physical units; the first two columns are test time and Unix time. [s]

    Parameters
    ----------
    physical : pyarrow.Table
        As `logger.record.export.as_physical` gives it.
    catalogue : mapping of str to Channel
    start_ms : int
        Where test time is zero. [ms UTC]
    """
    times = physical.column("timestamp").cast(pa.int64()).to_numpy()
    columns: dict[str, pa.Array] = {"Test Time / s": pa.array((times - start_ms) / 1000)}
    rest = {bdf_name(catalogue[n]): physical.column(n) for n in physical.column_names if n != "timestamp"}
    for name in ("Voltage / V", "Current / A"):
        columns[name] = rest.pop(name, pa.nulls(len(times), pa.float64()))
    columns["Unix Time / s"] = pa.array(np.asarray(times / 1000))
    return pa.table(columns | rest)
