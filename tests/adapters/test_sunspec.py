"""SunSpec against the model definitions, the encoder and the client of pysunspec2."""

from __future__ import annotations

import asyncio
import struct
from typing import Any

import pytest
from sunspec2 import device
from sunspec2.modbus import client as their_client

from adapters import sunspec_models as sm
from adapters.base import Reading
from adapters.errors import MapError
from adapters.registry import config_from, make
from adapters.sunspec import SunSpecAdapter
from adapters.sunspec_decode import cuts
from tests.adapters import peers
from tests.orchard import free_port

TABLES = {802: sm.BATTERY, 803: sm.BANK, 804: sm.STRING, 805: sm.MODULE}


def offsets(group: dict[str, Any]) -> dict[str, tuple[int, str, str | None]]:
    found, at = {}, 0
    for point in group["points"]:
        found[point["name"]] = (at, point["type"], point.get("sf"))
        at += point["size"]
    found[""] = (at, "", None)
    return found


@pytest.mark.parametrize("number", TABLES)
def test_offsets_types_and_scale_factors_as_defined(number: int) -> None:
    group = device.get_model_def(number)["group"]
    defined = offsets(group)
    for name, point in TABLES[number].items():
        at, kind, scale = defined[name]
        assert (point.offset, point.type) == (at, kind), name
        assert point.scale == (defined[scale][0] if scale else None), name


def test_cells_of_a_module_as_defined() -> None:
    group = device.get_model_def(805)["group"]
    fixed, cell = offsets(group), offsets(group["groups"][0])
    assert fixed[""][0] == sm.MODULE_FIXED
    assert cell[""][0] == sm.CELL_SIZE
    for name, point in sm.CELL.items():
        at, kind, scale = cell[name]
        assert (point.offset, point.type, point.scale) == (at, kind, fixed[scale][0] if scale else None)
    symbols = group["groups"][0]["points"][2]["symbols"]
    assert [1 << s["value"] for s in symbols if s["name"] == "CELL_IS_BALANCING"] == [sm.BALANCING]


def test_texts_of_the_common_model_as_defined() -> None:
    defined = device.get_model_def(1)["group"]["points"]
    places = offsets({"points": defined})
    sizes = {p["name"]: p["size"] for p in defined}
    for ours, theirs in (("maker", "Mn"), ("model", "Md"), ("version", "Vr"), ("serial", "SN")):
        assert sm.COMMON_TEXTS[ours] == (places[theirs][0], sizes[theirs])


def test_events_split_as_defined() -> None:
    """Every warning and no alarm of model 802 goes to `warnings`."""
    points = device.get_model_def(802)["group"]["points"]
    (symbols,) = [p["symbols"] for p in points if p["name"] == "Evt1"]
    for symbol in symbols:
        bit = 1 << symbol["value"]
        if symbol["value"] in sm.EVENTS:
            assert bool(sm.WARNING_BITS & bit) == symbol["name"].endswith("WARNING"), symbol
            assert bool(sm.PROTECTION_BITS & bit) != symbol["name"].endswith("WARNING"), symbol


@pytest.mark.parametrize(
    ("raw", "power", "reads"),
    [
        (5120, -2, 51.2),
        (5120, 0, 5120.0),
        (512, 1, 5120.0),
        (0xFFFF, -2, None),
        (5120, -0x8000, None),
        (5120, 11, None),
    ],
)
def test_scale_factors(raw: int, power: int, reads: float | None) -> None:
    """0x8000 as a scale factor makes the value unusable. Source: SunSpec model definitions, type sunssf."""
    point = sm.Point("V", 1, "uint16", 2)
    assert sm.read_point(point, {1: raw, 2: power & 0xFFFF}, 0) == reads


def words(*models: device.Model) -> list[int]:
    data = b"SunS" + b"".join(model.get_mb() for model in models) + b"\xff\xff\x00\x00"
    return list(struct.unpack(f">{len(data) // 2}H", data))


def common() -> device.Model:
    return device.Model(1, data={"Mn": "Hillside", "Md": "Orchard 48", "Vr": "1.2", "SN": "A-0001", "DA": 1})


def battery() -> device.Model:
    points = {
        "SoC": 874,
        "SoC_SF": -1,
        "SoH": 99,
        "SoH_SF": 0,
        "NCyc": 321,
        "V": 5312,
        "V_SF": -2,
        "A": -125,
        "A_SF": -1,
    }
    points |= {
        "AChaMax": 100,
        "ADisChaMax": 200,
        "AMax_SF": 0,
        "Evt1": 0b10010,
        "Evt2": 0,
        "W_SF": 0,
        "CellV_SF": -3,
    }
    return device.Model(802, data=points)


def module(string: int = 1, index: int = 1, cells: int = 16, first_mv: int = 3300) -> device.Model:
    points: dict[str, int | str] = {
        "StrIdx": string,
        "ModIdx": index,
        "NCell": cells,
        "V": 5312,
        "V_SF": -2,
        "CellV_SF": -3,
        "Tmp_SF": -1,
    }
    points["SN"] = f"M-{index}"
    rows = [{"CellV": first_mv + n, "CellTmp": 100 + n, "CellSt": int(n == 2)} for n in range(cells)]
    return device.Model(805, data={**points, "lithium-ion-module-cell": rows})


def serve_and_read(image: list[int], *, base: int = 40000, **keys: Any) -> tuple[Reading, dict[str, str]]:
    async def main() -> tuple[Reading, dict[str, str]]:
        port = free_port()
        async with peers.modbus_tcp(image, port=port, start=base):
            adapter = make(
                config_from(
                    "sunspec-tcp", {"name": "s", "pack": "A", "host": "127.0.0.1", "port": port, **keys}
                )
            )
            assert isinstance(adapter, SunSpecAdapter)
            await adapter.open()
            reading = await adapter.read()
            await adapter.close()
            return reading, adapter.identity

    return asyncio.run(main())


@pytest.mark.parametrize("base", [40000, 50000, 0])
def test_every_cell_through_their_encoder(base: int) -> None:
    reading, identity = serve_and_read(words(common(), battery(), module()), base=base)
    cells = {f"cell_{n + 1:02d}_v": 3300 + n for n in range(16)}
    temps = {f"temp_{n + 1}": 100 + 2 * n for n in range(8)}  # every second of sixteen
    assert reading.values == {
        **cells, **temps, "pack_v": 5312, "pack_a": -1250, "soc": 8740, "soh": 9900, "cycles_reported": 321,
        "charge_limit_a": 1000, "discharge_limit_a": 2000, "warnings": 0b10000, "protections": 0b10,
        "balancing_cells": 0b100,
    }  # fmt: skip
    assert identity == {
        "maker": "Hillside", "model": "Orchard 48", "version": "1.2", "serial": "A-0001",
        "module 1 serial": "M-1",
    }  # fmt: skip


def test_their_client_reads_the_same() -> None:
    image = words(common(), battery(), module())

    def theirs(port: int) -> dict[int, Any]:
        one = their_client.SunSpecModbusClientDeviceTCP(
            slave_id=1, ipaddr="127.0.0.1", ipport=port, timeout=2
        )
        one.scan()
        dump = one.get_dict(computed=True)
        one.disconnect()
        return {model["ID"]: model for model in dump["models"]}

    async def main() -> tuple[dict[int, Any], Reading]:
        port = free_port()
        async with peers.modbus_tcp(image, port=port, start=40000):
            read = await asyncio.to_thread(theirs, port)
            adapter = make(
                config_from("sunspec-tcp", {"name": "s", "pack": "A", "host": "127.0.0.1", "port": port})
            )
            await adapter.open()
            reading = await adapter.read()
            await adapter.close()
            return read, reading

    read, reading = asyncio.run(main())
    for n, cell in enumerate(read[805]["lithium-ion-module-cell"], start=1):
        assert round(cell["CellV"] * 1000) == reading.values[f"cell_{n:02d}_v"]
    assert round(read[802]["V"] * 100) == reading.values["pack_v"]
    assert round(read[802]["A"] * 100) == reading.values["pack_a"]
    assert round(read[802]["SoC"] * 100) == reading.values["soc"]


def test_modules_in_series_are_numbered_through() -> None:
    string = device.Model(
        804,
        data={"Idx": 1, "NMod": 2, "SoC": 50, "SoC_SF": 0, "A": 100, "A_SF": -1, "V": 5300, "V_SF": -2,
              "Evt1": 0,
              "CellV_SF": -3, "ModTmp_SF": 0, "lithium_ion_string_module": [{}, {}]},
    )  # fmt: skip
    image = words(common(), string, module(1, 2, 8, 3400), module(1, 1, 8, 3300))
    reading, _ = serve_and_read(image, positive="discharge")
    assert [reading.values[f"cell_{n:02d}_v"] for n in range(1, 17)] == [
        *range(3300, 3308),
        *range(3400, 3408),
    ]
    assert reading.values["pack_a"] == -1000
    assert reading.values["pack_v"] == 5300
    only, _ = serve_and_read(image, module=2)
    assert only.values["cell_01_v"] == 3400
    assert "cell_09_v" not in only.values


def test_several_strings_must_be_chosen_from() -> None:
    image = words(common(), battery(), module(1), module(2, first_mv=3400))
    with pytest.raises(MapError, match=r"several strings .*\[1, 2\].*string = 1"):
        serve_and_read(image)
    assert serve_and_read(image, string=2)[0].values["cell_01_v"] == 3400
    with pytest.raises(MapError, match="no string 3"):
        serve_and_read(image, string=3)


def test_no_mark_no_battery_no_end() -> None:
    with pytest.raises(MapError, match="no SunSpec mark"):
        serve_and_read([0] * 200)
    with pytest.raises(MapError, match=r"no battery among its SunSpec models \(1\)"):
        serve_and_read(words(common()))
    with pytest.raises(MapError, match="does not end"):
        serve_and_read([0x5375, 0x6E53] + [7, 0] * 600)


def test_long_module_is_read_on_cell_borders() -> None:
    """32 cells: 44 + 128 = 172 registers. A read holds 125: 44 + 20 × 4 = 124, then 48."""
    assert cuts(0, 172, (44, 4)) == [(0, 124), (124, 172)]
    assert all(stop - start <= 125 for start, stop in cuts(100, 900, (44, 4)))


def test_long_module_through_their_encoder() -> None:
    reading, _ = serve_and_read(words(common(), module(cells=32)))
    assert [reading.values[f"cell_{n:02d}_v"] for n in range(1, 33)] == list(range(3300, 3332))


def test_device_that_does_not_refuse_what_it_has_not(wire: peers.SerialWire) -> None:
    """Silence at 40000 and 50000, the mark at 0."""
    unit = peers.RtuUnit(words(common(), battery(), module()))
    unit.start = 0

    def answer(pending: bytes) -> bytes | None:
        reply = unit(pending)
        return b"" if reply and reply[1] & 0x80 else reply

    wire.serve(answer)
    keys = {"name": "s", "pack": "A", "port": wire.path, "baud": 115200, "timeout_s": 0.2}

    async def main() -> Reading:
        adapter = make(config_from("sunspec-rtu", keys))
        await adapter.open()
        reading = await adapter.read()
        await adapter.close()
        return reading

    assert asyncio.run(main()).values["cell_16_v"] == 3315
