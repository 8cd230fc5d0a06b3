"""One CAN bus, opened once and shared: a thread receives, every pack on the bus takes its frames."""

from __future__ import annotations

import asyncio
import logging
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from adapters.assembler import Assembler
from adapters.binding import EXTENDED
from adapters.can_inlet import inlet_of
from adapters.configs import CanConfig
from adapters.errors import SourceLost
from adapters.gate import ListenOnlyBus, RequestFrame
from adapters.places import tcp_trouble, why_not_serial

if TYPE_CHECKING:
    import can

OPEN_S = 8.0
"""Longest wait for a bus to open; serial adapters need two seconds by themselves. [s]"""
SETTLE_S = 2.0
"""Some serial adapters restart when their port is opened; wait for that. [s]"""
HANG_S = 4.0
"""A receiving thread that shows no sign of life for so long hangs. [s]"""
WAIT_S = 0.2
"""Longest wait inside the driver for one frame. [s]"""
LOOK_S = 1.0
"""How often to look after filters and dropped frames. [s]"""
MOST_BAD = 1000
"""Undecodable pieces in a row after which the adapter is taken for broken."""
DENSE = 400
"""Frames a second above which the thread rests between looks: waking up costs more than a frame does."""

Key = tuple[str, str, int]
Tap = Callable[["can.Message"], None]


class CanPort:
    """A bus, and the thread that receives from it. Get it with `port_to`."""

    def __init__(self, config: CanConfig) -> None:
        self._config = config
        self.place = f"can {config.interface} {config.channel}"
        self._users: tuple[Assembler, ...] = ()
        self._table: dict[int, tuple[Assembler, ...]] = {}
        self._requests: tuple[RequestFrame, ...] = ()
        self._thread: threading.Thread | None = None
        self._stop = threading.Event()
        self._ready = threading.Event()
        self._failed: SourceLost | None = None
        self._alive_s = 0.0
        self._seen: dict[int, float] = {}
        self._taps: tuple[Tap, ...] = ()
        self._filtered: frozenset[int] | None = None
        self._looked_s = 0.0
        self._opened_s = 0.0
        self.dropped = 0
        self.bad = 0

    async def join(self, user: Assembler, requests: Sequence[RequestFrame]) -> None:
        """Add a listener; opens the bus for the first one, and anew if it failed.

        Raises
        ------
        SourceLost
            If the bus does not open.
        """
        self._users = (*self._users, user)
        self._table = _table(self._users)
        more = any(request not in self._requests for request in requests)
        if more:
            self._requests = tuple(dict.fromkeys((*self._requests, *requests)))
            self._config = replace(self._config, allow_requests=True)
        if more or self._thread is None or self._failed is not None or not self._thread.is_alive():
            self._start()
        give_up = time.monotonic() + OPEN_S
        while not self._ready.is_set():
            if self._failed is not None:
                raise self._failed
            if time.monotonic() > give_up:
                self._stop.set()
                raise SourceLost(
                    f"{self.place}: does not open in {OPEN_S:g} s", "unplug the adapter and plug it in"
                )
            await asyncio.sleep(0.02)

    def _start(self) -> None:
        self._stop.set()
        self._stop, self._ready = threading.Event(), threading.Event()
        self._failed, self._filtered, self._looked_s = None, None, 0.0
        self._alive_s = time.monotonic()
        run = (self._stop, self._ready, self._requests)
        self._thread = threading.Thread(target=self._run, args=run, name=self.place, daemon=True)
        self._thread.start()

    def tap(self, tap: Tap) -> None:
        """Hand every frame to a function as well, in the receiving thread."""
        self._taps = (*self._taps, tap)

    def untap(self, tap: Tap) -> None:
        """Stop that."""
        self._taps = tuple(other for other in self._taps if other is not tap)

    async def leave(self, user: Assembler) -> None:
        """Remove a listener; the last one closes the bus and waits a moment for the driver to let go."""
        self._users = tuple(other for other in self._users if other is not user)
        self._table = _table(self._users)
        if not self._users:
            self._stop.set()
            if _PORTS.get(_key(self._config)) is self:
                del _PORTS[_key(self._config)]
            for _ in range(round(2 * WAIT_S / 0.01)):
                if self._thread is None or not self._thread.is_alive():
                    break
                await asyncio.sleep(0.01)

    def check(self) -> None:
        """Raise SourceLost if the bus is gone or its driver hangs."""
        if self._failed is not None:
            raise self._failed
        if time.monotonic() - self._alive_s > HANG_S:
            self._stop.set()
            self._failed = SourceLost(f"{self.place}: the adapter hangs", "it is opened again by itself")
            raise self._failed

    def why_silent(self, keys: Iterable[int], waited_s: float) -> tuple[str, str]:
        """Say what is on the bus instead of the frames that were wanted: reason and remedy."""
        wanted = ", ".join(_shown(key) for key in sorted(keys)[:4])
        cutoff = time.monotonic() - waited_s
        others = sorted(key for key, seen_s in list(self._seen.items()) if seen_s >= cutoff)
        if not others:
            return (
                f"{self.place}: the bus is silent",
                "check wiring, termination, bit rate, and that the pack is on",
            )
        heard = ", ".join(_shown(key) for key in others[:6])
        return (
            f"{self.place}: frames come ({heard}) but none of the binding's ({wanted}, …)",
            "check binding and database, or run bankbook probe",
        )

    def _run(self, stop: threading.Event, ready: threading.Event, requests: Sequence[RequestFrame]) -> None:
        bus = None
        try:
            bus = ListenOnlyBus(open_bus(self._config), requests)
            self._alive_s = self._opened_s = time.monotonic()
            ready.set()
            self._receive(bus, stop, requests)
        except SourceLost as exc:
            self._fail(exc, stop)
        except Exception as exc:
            # Drivers raise errors of many kinds when a device goes; every one means: close and open again.
            lost = SourceLost(f"{self.place}: {_first_line(exc)}", "check the adapter and its cable")
            lost.__cause__ = exc
            self._fail(lost, stop)
        finally:
            if bus is not None:
                bus.shutdown()

    def _fail(self, lost: SourceLost, stop: threading.Event) -> None:
        if stop is self._stop:
            self._failed = lost

    def _receive(self, bus: ListenOnlyBus, stop: threading.Event, requests: Sequence[RequestFrame]) -> None:
        due = dict.fromkeys(requests, 0.0)
        inlet, pace = inlet_of(bus, self.place), _Pace()
        bad = 0
        while not stop.is_set():
            now = time.monotonic()
            if now - self._looked_s >= LOOK_S:
                self._looked_s = now
                self._tend(bus, now)
            self._alive_s = now
            for request, at in due.items():
                if now >= at:
                    bus.ask(request)
                    due[request] = now + request.every_s
            try:
                came = inlet.pump(WAIT_S, self._give)
            except Exception as exc:
                if not _is_noise(exc):
                    raise
                bad, self.bad = bad + 1, self.bad + 1
                if bad > MOST_BAD:
                    raise SourceLost(
                        f"{self.place}: only noise comes", "check adapter kind and bit rate"
                    ) from exc
                continue
            if came:
                bad = 0
            if pace.is_dense(came, now):
                time.sleep(inlet.rest_s)

    def _tend(self, bus: ListenOnlyBus, now: float) -> None:
        """Let the kernel sort frames out while those that are wanted come; ask what it had to drop.

        So from the first instant: on a full bus, looking at everything is what frames get lost by. When none
        of the wanted came for a while, everything is looked at, to say what comes instead.
        """
        wanted = frozenset(self._table)
        heard = any(now - self._seen.get(key, float("-inf")) < 3 * LOOK_S for key in wanted)
        early = now - self._opened_s < 2 * LOOK_S
        filtered = wanted if (heard or early) and not self._taps else None
        if filtered != self._filtered:
            self._filtered = filtered
            keys = None if filtered is None else [(key & ~EXTENDED, bool(key & EXTENDED)) for key in filtered]
            bus.narrow(keys)
        self.dropped = bus.dropped
        if bus.hung_up:
            raise SourceLost(
                f"{self.place}: the far end closed the connection", "it is opened again by itself"
            )

    def _give(self, key: int, data: bytes | bytearray, now_s: float, frame: can.Message | None) -> None:
        if key in self._seen or len(self._seen) < 512:
            self._seen[key] = now_s
        users = self._table.get(key)
        if users is not None:
            payload = bytes(data)
            for user in users:
                user.take(key, payload, now_s)
        for tap in self._taps:
            tap(frame if frame is not None else _message(key, data))


class _Pace:
    """Do frames come so fast that it pays to let some gather?"""

    def __init__(self) -> None:
        self._since_s = self._count = 0.0
        self._dense = False

    def is_dense(self, came: int, now_s: float) -> bool:
        """Take note of how many frames came; judged four times a second. [s, monotonic]"""
        self._count += came
        span_s = now_s - self._since_s
        if span_s >= 0.25:
            self._dense = self._count > DENSE * span_s
            self._since_s, self._count = now_s, 0.0
        return self._dense


def _message(key: int, data: bytes | bytearray) -> can.Message:
    import can

    return can.Message(
        arbitration_id=key & ~EXTENDED, is_extended_id=bool(key & EXTENDED), data=data, timestamp=time.time()
    )


def open_bus(config: CanConfig) -> Any:
    """Open a bus with python-can, listening only wherever the driver offers it.

    Raises
    ------
    SourceLost
        If the interface does not exist or does not open.
    """
    import can

    # Our own errors tell the user; the library's lines would repeat them with every frame.
    logging.getLogger("can").setLevel(logging.CRITICAL)
    options: dict[str, Any] = {"interface": config.interface, "channel": config.channel}
    if config.interface == "slcan":
        options |= {
            "bitrate": config.bitrate,
            "listen_only": not config.allow_requests,
            "timeout": 0.05,
            "sleep_after_open": SETTLE_S,
        }
    elif config.interface == "socketcand":
        _reachable(config)
        options |= {"host": config.host, "port": config.port or 29536}
    elif config.interface == "udp_multicast" and config.port:
        options["port"] = config.port
    try:
        return can.Bus(**options)
    except (can.CanError, OSError, ValueError, ImportError) as exc:
        place = f"can {config.interface} {config.channel}"
        if config.interface == "slcan":
            raise SourceLost(*_with(place, why_not_serial(config.channel.partition("@")[0]))) from exc
        raise SourceLost(f"{place}: {_first_line(exc)}", _remedy(config, exc)) from exc


def _with(place: str, why: tuple[str, str]) -> tuple[str, str]:
    return f"{place}: {why[0]}", why[1]


def _reachable(config: CanConfig) -> None:
    """Ask first: the library's own way of waiting for a daemon is ten seconds of trying without a pause."""
    trouble = tcp_trouble(config.host, config.port or 29536)
    if trouble is not None:
        raise SourceLost(f"can socketcand {config.host}:{config.port or 29536}: {trouble[0]}", trouble[1])


def _is_noise(exc: Exception) -> bool:
    """Whether a driver stumbled over one garbled piece, as the serial and the multicast driver do."""
    return isinstance(exc, ValueError | LookupError) or "unpack" in str(exc)


def _remedy(config: CanConfig, exc: BaseException) -> str:
    if config.interface == "socketcan" and "No such device" in str(exc):
        return (
            f"bring it up: ip link set {config.channel} up type can bitrate {config.bitrate} listen-only on"
        )
    return "check interface and channel in bank.toml"


def _first_line(exc: BaseException) -> str:
    return (str(exc) or type(exc).__name__).splitlines()[0]


def _shown(key: int) -> str:
    return f"0x{key & ~EXTENDED:08X}" if key & EXTENDED else f"0x{key:03X}"


def _table(users: Iterable[Assembler]) -> dict[int, tuple[Assembler, ...]]:
    table: dict[int, tuple[Assembler, ...]] = {}
    for user in users:
        for key in user.keys:
            table[key] = (*table.get(key, ()), user)
    return table


_PORTS: dict[Key, CanPort] = {}


def _key(config: CanConfig) -> Key:
    return config.interface, config.channel, config.port


def port_to(config: CanConfig) -> CanPort:
    """Return the port of a bus, the same one for every source that names it."""
    return _PORTS.setdefault(_key(config), CanPort(config))
