"""Where a Modbus wire is, and why it cannot be opened."""

from __future__ import annotations

import socket
from dataclasses import dataclass
from pathlib import Path

from adapters.gate import Framing


@dataclass(frozen=True, slots=True)
class TcpPlace:
    """A TCP endpoint."""

    host: str
    port: int
    framing: Framing = "tcp"

    def __str__(self) -> str:
        return f"tcp {self.host}:{self.port}"


@dataclass(frozen=True, slots=True)
class SerialPlace:
    """A serial port with its settings."""

    port: str
    baud: int
    parity: str
    stopbits: int

    def __str__(self) -> str:
        return f"serial {self.port} {self.baud} 8{self.parity}{self.stopbits}"

    @property
    def gap_s(self) -> float:
        """Silence between frames: 3.5 characters of 11 bits; fixed 1.75 ms above 19200 bit/s. [s]

        References
        ----------
        Modbus over Serial Line V1.02 (2006), section 2.5.1.1.
        """
        return 0.00175 if self.baud > 19200 else 3.5 * 11 / self.baud


Place = TcpPlace | SerialPlace


def why_not(place: Place) -> tuple[str, str]:
    """Find out why a place could not be opened.

    Returns
    -------
    (str, str)
        Reason and remedy.
    """
    if isinstance(place, TcpPlace):
        return _why_not_tcp(place)
    return why_not_serial(place.port)


def _why_not_tcp(place: TcpPlace) -> tuple[str, str]:
    trouble = tcp_trouble(place.host, place.port)
    return trouble or ("the peer did not keep the connection", "another client may hold its only one")


def tcp_trouble(host: str, port: int) -> tuple[str, str] | None:
    """Why a TCP port cannot be reached: reason and remedy; None if it can."""
    try:
        socket.create_connection((host, port), timeout=1.0).close()
    except socket.gaierror:
        return f"no host named {host}", "check host in bank.toml"
    except TimeoutError:
        return "no host answers", "check address, cable and power"
    except ConnectionRefusedError:
        return "nothing listens there", "check port in bank.toml and that the service is switched on"
    except OSError as exc:
        return exc.strerror or str(exc), "check address and network"
    return None


def why_not_serial(port: str) -> tuple[str, str]:
    """Why a serial port could not be opened: reason and remedy."""
    import serial

    if not Path(port).exists():
        return "there is no such port", "plug the adapter in; `ls /dev/serial/by-id/` lists the ports"
    try:
        with serial.Serial(port, exclusive=True):
            return "the port opened only now", "it is opened again by itself"
    except serial.SerialException as exc:
        text = str(exc)
        if "ermission" in text:
            return (
                "not allowed to open the port",
                "add the user to the group dialout, or install the udev rule",
            )
        if "lock" in text or "busy" in text:
            return "another program uses the port", "stop that program"
        return text, "check the adapter"
    except OSError as exc:
        return exc.strerror or str(exc), "check the adapter"
