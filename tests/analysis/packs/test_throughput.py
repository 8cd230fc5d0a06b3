"""Energy without a voltage is not known; it is never 0."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analysis.digest import DayDigest, digest
from analysis.history import History
from analysis.packs.throughput import throughput
from tests.analysis import made


def day(number: int, *, voltage: bool) -> DayDigest:
    """Half a day of 20 A out, half a day of 20 A in."""
    frame = made.Pack(period_s=60.0).frame(number, np.repeat([-20.0, 20.0], 720))
    if not voltage:
        frame = replace(frame, pack_v=np.full_like(frame.pack_v, np.nan), cells_v=frame.cells_v[:0])
    return digest(frame, made.FACTS)


def test_without_any_voltage_the_charge_is_known_and_the_energy_is_not() -> None:
    found = throughput(History.of(made.FACTS, [day(0, voltage=False)]))
    assert found.ah_in.value is not None
    assert abs(found.ah_in.value - 240.0) < 1.0  # 20 A for 12 h
    assert (found.wh_in.value, found.wh_in.reason) == (None, "no voltage was read, and energy needs it")


def test_days_without_a_voltage_are_named_beside_the_energy_of_the_others() -> None:
    found = throughput(History.of(made.FACTS, [day(0, voltage=True), day(1, voltage=False)]))
    assert found.wh_in.value is not None
    assert "days without a voltage, not in it: 1" in found.wh_in.basis
    assert "voltage" not in found.ah_in.basis
