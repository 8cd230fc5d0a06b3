"""The commissioning check against a real Modbus server: what it hears, and a map that does not fit."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.commissioning.commission import Baseline, Check, Screens, identity
from logger.commissioning.commission_live import commission
from logger.config import Config
from tests.adapters import peers
from tests.orchard import free_port


@pytest.fixture
def port() -> Iterator[int]:
    """A pymodbus server with the registers of the test pack, in a thread of its own."""
    number, up, over = free_port(), threading.Event(), threading.Event()

    async def serve() -> None:
        async with peers.modbus_tcp(peers.image(peers.REGISTERS), port=number):
            up.set()
            await asyncio.to_thread(over.wait)

    thread = threading.Thread(target=lambda: asyncio.run(serve()))
    thread.start()
    assert up.wait(20)
    yield number
    over.set()
    thread.join()


def check(folder: Path, port: int, serial: str, text: str = peers.MAP) -> Baseline:
    (folder / "pack.toml").write_text(text)
    (folder / "bank.toml").write_text(
        f'[record]\nclock = "trusted"\n[[pack]]\nname = "A"\ntemps = 2\nserial = "{serial}"\n'
        f'[[source]]\nname = "line-1"\nkind = "modbus-tcp"\npack = "A"\nhost = "127.0.0.1"\nport = {port}\n'
        'map = "pack.toml"\n'
    )
    return commission(Config.load(folder / "bank.toml"), Screens(soc=0.87), listen_s=1.0, keep=False)


def by_name(baseline: Baseline) -> dict[str, Check]:
    return {one.name: one for one in baseline.checks if one.subject == "A"}


def test_every_cell_and_the_serial_number(tmp_path: Path, port: int) -> None:
    found = by_name(check(tmp_path, port, "hall 1"))
    assert found["every cell"].text == "16 cells, 3.300 to 3.315 V (15 mV)"
    assert found["says it is"] == Check(
        "A", "says it is", "good", "serial HALL-1; the serial number is that of the label"
    )


def test_another_serial_number_is_asked_about(tmp_path: Path, port: int) -> None:
    one = by_name(check(tmp_path, port, "PA-0417"))["says it is"]
    assert one.verdict == "open"
    assert "the label says PA-0417: are two packs exchanged" in one.text


def test_a_map_that_does_not_fit_is_a_line_of_the_page(tmp_path: Path, port: int) -> None:
    found = by_name(check(tmp_path, port, "x", peers.MAP.replace("equals = [16]", "equals = [15]")))
    assert found["answers"].verdict == "bad"
    assert "number of cells reads 16, expected [15]" in found["answers"].text


def test_a_pack_that_says_nothing_has_no_such_line() -> None:
    assert identity("A", {}, "x") is None
    assert identity("A", {"serial": ""}, "x") is None
    told = identity("A", {"maker": "Hillside"}, "x")
    assert told == Check("A", "says it is", "good", "maker Hillside")
