"""Typed configuration of each kind of source; built from a `[[source]]` table or directly."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from adapters.base import Subject
from adapters.errors import ConfigError

PARITIES = ("N", "E", "O")
BAUDS = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200, 230400, 460800, 921600)
"""Speeds that serial drivers offer. [bit/s]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceConfig:
    """What every source has.

    Attributes
    ----------
    name : str
        Name of the source, unique in a configuration.
    pack, witness : str or None
        What it speaks about: exactly one of the two.
    period_s : float
        Wanted time between readings. [s]
    timeout_s : float
        Longest wait for one answer. [s]
    folder : Path or None
        Folder that relative paths start from (that of bank.toml).
    """

    name: str
    pack: str | None = None
    witness: str | None = None
    period_s: float = 1.0
    timeout_s: float = 1.0
    folder: Path | None = None

    def __post_init__(self) -> None:
        if (self.pack is None) == (self.witness is None):
            self._refuse("pack", self.pack, "name either a pack or a witness")
        self._within("period_s", self.period_s, 0.1, 3600)
        self._within("timeout_s", self.timeout_s, 0.05, 60)

    @property
    def subject(self) -> Subject:
        """The pack or witness."""
        return Subject(self.pack, "pack") if self.pack is not None else Subject(self.witness or "", "witness")

    def _refuse(self, key: str, value: object, remedy: str) -> None:
        raise ConfigError(f'source "{self.name}": {key} = {value!r} does not fit', remedy)

    def _within(self, key: str, value: float, low: float, high: float) -> None:
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            self._refuse(key, value, f"give a number from {low:g} to {high:g}")

    def path(self, name: str) -> Path:
        """Resolve a path as written in the configuration."""
        return (self.folder or Path()) / name


@dataclass(frozen=True, slots=True, kw_only=True)
class _ModbusConfig(SourceConfig):
    map: str
    unit: int = 1

    def __post_init__(self) -> None:
        SourceConfig.__post_init__(self)
        self._within("unit", self.unit, 0, 255)


@dataclass(frozen=True, slots=True, kw_only=True)
class ModbusTcpConfig(_ModbusConfig):
    """A pack read over Modbus TCP.

    Attributes
    ----------
    map : str
        Register map: a .toml file, or the name of a shipped one.
    host, port : str, int
        Where it listens.
    unit : int
        Unit id.
    framing : {"tcp", "rtu"}
        "rtu" for a converter that passes serial frames through a TCP connection unchanged.
    """

    host: str
    port: int = 502
    framing: str = "tcp"

    def __post_init__(self) -> None:
        _ModbusConfig.__post_init__(self)
        self._within("port", self.port, 1, 65535)
        if self.framing not in {"tcp", "rtu"}:
            self._refuse("framing", self.framing, 'use "tcp" or "rtu"')


@dataclass(frozen=True, slots=True, kw_only=True)
class ModbusRtuConfig(_ModbusConfig):
    """A pack read over Modbus RTU on a serial port.

    Attributes
    ----------
    port : str
        Serial port; best the stable name under /dev/serial/by-id/.
    baud : int
        Speed. [bit/s]
    parity : {"N", "E", "O"}
    stopbits : {1, 2}
    unit : int
        Unit id, 1 to 247.
    """

    port: str
    baud: int = 9600
    parity: str = "N"
    stopbits: int = 1

    def __post_init__(self) -> None:
        _ModbusConfig.__post_init__(self)
        self._within("unit", self.unit, 1, 247)
        check_serial(self.name, self.baud, self.parity, self.stopbits)


@dataclass(frozen=True, slots=True, kw_only=True)
class _SunSpecConfig(SourceConfig):
    """What both ways to a SunSpec battery have.

    Attributes
    ----------
    unit : int
        Unit id.
    base : int or None
        Register where the models start; None looks at 40000, 50000 and 0.
    string, module : int or None
        Which string and module of a larger battery is this pack; None takes the first found.
    positive : {"charge", "discharge"}
        What a positive current means; the models leave it to the maker.
    """

    unit: int = 1
    base: int | None = None
    string: int | None = None
    module: int | None = None
    positive: str = "charge"

    def __post_init__(self) -> None:
        SourceConfig.__post_init__(self)
        self._within("unit", self.unit, 0, 255)
        if self.base is not None:
            self._within("base", self.base, 0, 65533)
        if self.positive not in {"charge", "discharge"}:
            self._refuse("positive", self.positive, 'use "charge" or "discharge"')


@dataclass(frozen=True, slots=True, kw_only=True)
class SunSpecTcpConfig(_SunSpecConfig):
    """A battery that follows the SunSpec information models, over Modbus TCP: host and port as there."""

    host: str
    port: int = 502

    def __post_init__(self) -> None:
        _SunSpecConfig.__post_init__(self)
        self._within("port", self.port, 1, 65535)


@dataclass(frozen=True, slots=True, kw_only=True)
class SunSpecRtuConfig(_SunSpecConfig):
    """The same on a serial port: port, baud, parity and stopbits as for Modbus RTU."""

    port: str
    baud: int = 9600
    parity: str = "N"
    stopbits: int = 1

    def __post_init__(self) -> None:
        _SunSpecConfig.__post_init__(self)
        check_serial(self.name, self.baud, self.parity, self.stopbits)


@dataclass(frozen=True, slots=True, kw_only=True)
class CanConfig(SourceConfig):
    """A pack heard on a CAN bus.

    Attributes
    ----------
    interface, channel : str
        python-can interface ("socketcan", "slcan", "socketcand", "udp_multicast", "virtual") and its channel.
    bitrate : int
        Speed of the bus; socketcan takes the speed the interface was set up with. [bit/s]
    database : str
        DBC or KCD file; may be left out for a shipped binding.
    binding : str
        Binding: a .toml file, or the name of a shipped one.
    stale_s : float
        A signal not seen for so long is absent. [s]
    allow_requests : bool
        Whether request frames of the binding may be sent.
    host : str
        Only for "socketcand": where the daemon listens.
    port : int
        Only for "socketcand" and "udp_multicast"; 0 is the usual one of each.
    """

    interface: str
    channel: str
    binding: str
    database: str | None = None
    bitrate: int = 500_000
    stale_s: float = 5.0
    allow_requests: bool = False
    host: str = "localhost"
    port: int = 0

    def __post_init__(self) -> None:
        SourceConfig.__post_init__(self)
        self._within("stale_s", self.stale_s, 0.1, 3600)
        self._within("port", self.port, 0, 65535)
        if self.interface not in CAN_INTERFACES:
            self._refuse("interface", self.interface, "use one of: " + ", ".join(CAN_INTERFACES))
        if not self.channel:
            self._refuse("channel", self.channel, 'name it, like "can0" or "/dev/ttyACM0"')
        if self.interface == "slcan" and self.bitrate not in SLCAN_BITRATES:
            self._refuse("bitrate", self.bitrate, "use one of: " + ", ".join(map(str, SLCAN_BITRATES)))


CAN_INTERFACES = ("socketcan", "slcan", "socketcand", "udp_multicast", "virtual")
SLCAN_BITRATES = (10_000, 20_000, 50_000, 100_000, 125_000, 250_000, 500_000, 750_000, 1_000_000)
"""Speeds of the serial line protocol's commands S0 to S8. [bit/s]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplayConfig(SourceConfig):
    """A recorded file played again.

    Attributes
    ----------
    file : str
        CSV file with the catalogue's columns, a CAN capture (.log, .asc, .blf), or recorded registers (.reg).
    binding, database : str or None
        For a capture, as in `CanConfig`.
    map : str or None
        For recorded registers, as in `ModbusTcpConfig`.
    speed : float
        1 plays in the time it took; 0 as fast as it is read.
    stale_s : float
        As in `CanConfig`. [s]
    """

    file: str
    binding: str | None = None
    database: str | None = None
    speed: float = 0.0
    stale_s: float = 5.0
    map: str | None = None

    def __post_init__(self) -> None:
        SourceConfig.__post_init__(self)
        self._within("speed", self.speed, 0, 1000)


def check_serial(name: str, baud: int, parity: str, stopbits: int) -> None:
    """Refuse settings no serial port has.

    Raises
    ------
    ConfigError
        Naming the key.
    """
    for key, value, allowed in (
        ("baud", baud, BAUDS),
        ("parity", parity, PARITIES),
        ("stopbits", stopbits, (1, 2)),
    ):
        if value not in allowed:
            remedy = "use one of: " + ", ".join(map(str, allowed))
            raise ConfigError(f'source "{name}": {key} = {value!r} does not fit', remedy)
