"""Whether a period is kept, and what is said if not."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from adapters.modbus import ModbusAdapter
from adapters.pace import Pace, nice_period_s
from adapters.registry import config_from, make
from tests.adapters import peers
from tests.adapters.peers import SerialWire


def test_kept_period_is_not_complained_about() -> None:
    pace = Pace(1.0)
    for n in range(50):
        pace.note(n, n + 0.2)
        assert pace.complaint("here") is None


def test_an_outage_is_no_slowness() -> None:
    pace = Pace(1.0)
    for n in range(50):
        pace.note(n, n + 0.2)
    pace.skip()
    for n in range(500, 550):
        pace.note(n, n + 0.2)
        assert pace.complaint("here") is None


def test_slow_reads_are_told_with_what_is_possible() -> None:
    pace = Pace(1.0)
    for n in range(50):
        pace.note(1.8 * n, 1.8 * n + 1.7)
    told = pace.complaint("serial /dev/x unit 1")
    assert told is not None
    assert "period_s = 1 cannot be kept: readings come every 1.80 s, each takes 1.70 s" in told
    assert "set period_s = 2," in told


@pytest.mark.parametrize(
    ("needed", "nice"), [(0.15, 0.2), (1.0, 1), (1.1, 2), (2.6, 3), (59, 60), (75.2, 76)]
)
def test_periods_a_person_would_write(needed: float, nice: float) -> None:
    assert nice_period_s(needed) == nice


def test_line_that_cannot_carry_its_packs(wire: SerialWire, map_file: Path) -> None:
    """By hand, one round at 9600 bit/s: reads of 3, 16, 4 and 2 registers are (4 × 13 + 2 × 25) × 11 / 9600

    = 117 ms, and 8 silences of 4.01 ms = 32 ms: 149 ms, so 7 units need 104 % of the line's time.
    """
    wire.serve(peers.RtuUnit(peers.image(peers.REGISTERS), units=range(1, 8)))

    async def main() -> None:
        adapters: list[ModbusAdapter] = []
        for unit in range(1, 8):
            assert all(adapter.complaint is None for adapter in adapters)
            keys = {
                "name": f"s{unit}",
                "pack": f"P{unit}",
                "port": wire.path,
                "map": str(map_file),
                "unit": unit,
            }
            adapter = make(config_from("modbus-rtu", keys))
            assert isinstance(adapter, ModbusAdapter)
            adapters.append(adapter)
            await adapters[-1].open()
        assert adapters[0].least_period_s() == pytest.approx(0.149, abs=0.001)
        told = adapters[0].complaint
        assert told is not None
        assert "7 sources need 104 % of the line's time for period_s = 1 — set period_s = 2" in told
        assert [adapter.complaint for adapter in adapters[1:]] == [None] * 6  # told once for all
        await adapters.pop().close()
        assert adapters[0].complaint is None
        for adapter in adapters:
            await adapter.close()

    asyncio.run(main())
