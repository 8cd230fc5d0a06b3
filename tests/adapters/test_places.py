"""Why a wire cannot be opened, said so that a person can do something about it."""

from __future__ import annotations

import socket
from pathlib import Path

import pytest
import serial

from adapters.places import SerialPlace, TcpPlace, tcp_trouble, why_not, why_not_serial
from tests.adapters.peers import SerialWire
from tests.orchard import free_port


def test_places_in_words() -> None:
    assert str(TcpPlace("10.0.0.5", 502)) == "tcp 10.0.0.5:502"
    assert str(SerialPlace("/dev/ttyUSB0", 9600, "E", 1)) == "serial /dev/ttyUSB0 9600 8E1"


@pytest.mark.parametrize(
    ("baud", "gap_s"), [(9600, 0.004010), (19200, 0.002005), (38400, 0.00175), (115200, 0.00175)]
)
def test_silence_between_frames(baud: int, gap_s: float) -> None:
    """3.5 characters of 11 bits. Source: Modbus over Serial Line V1.02, section 2.5.1.1; by hand."""
    assert SerialPlace("x", baud, "N", 1).gap_s == pytest.approx(gap_s, abs=1e-6)


def test_tcp(monkeypatch: pytest.MonkeyPatch) -> None:
    port = free_port()
    assert tcp_trouble("127.0.0.1", port) == (
        "nothing listens there",
        "check port in bank.toml and that the service is switched on",
    )
    with socket.create_server(("127.0.0.1", port)):
        assert tcp_trouble("127.0.0.1", port) is None
        assert why_not(TcpPlace("127.0.0.1", port))[0] == "the peer did not keep the connection"
    for error, words in (
        (socket.gaierror(-2, "x"), "no host named"),
        (TimeoutError(), "no host answers"),
        (OSError(113, "No route to host"), "No route to host"),
    ):

        def refuse(*_: object, error: OSError = error, **__: object) -> None:
            raise error

        monkeypatch.setattr(socket, "create_connection", refuse)
        trouble = tcp_trouble("orchard.invalid", 502)
        assert trouble is not None
        assert words in trouble[0]


def test_serial(wire: SerialWire, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert why_not_serial("/dev/no-such")[0] == "there is no such port"
    assert why_not(SerialPlace(wire.path, 9600, "N", 1))[0] == "the port opened only now"
    (tmp_path / "file").write_text("")
    assert "Inappropriate" in why_not_serial(str(tmp_path / "file"))[0]
    with serial.Serial(wire.path, exclusive=True):
        assert why_not_serial(wire.path) == ("another program uses the port", "stop that program")

    def refuse(*_: object, **__: object) -> None:
        raise serial.SerialException("[Errno 13] Permission denied: '/dev/ttyUSB0'")

    monkeypatch.setattr(serial, "Serial", refuse)
    assert "dialout" in why_not_serial(wire.path)[1]
