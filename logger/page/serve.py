"""`bankbook serve`: the page under uvicorn, on loopback unless asked otherwise."""

from __future__ import annotations

import ipaddress
import secrets
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from adapters.errors import ConfigError
from logger.extras import how_to_add

if TYPE_CHECKING:
    from logger.config import Config
    from logger.record.store import Store

SAY = partial(print, flush=True)
"""Heard at once, also by a pipe or a journal."""
LEAST_TOKEN = 16
"""A token has at least so many characters."""


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach the address.

    >>> is_loopback("127.0.0.1"), is_loopback("::1"), is_loopback("0.0.0.0")
    (True, True, False)
    """
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def page_token(config: Config, host: str) -> str | None:
    """Return the token that others must give: from the file the configuration names, else a new one.

    Parameters
    ----------
    config : Config
    host : str
        The address to listen on. On loopback without a token file nobody needs one.

    Raises
    ------
    ConfigError
        If the file cannot be read, or holds a token that is too short.
    """
    name = config.page.token_file
    if name is None:
        return None if is_loopback(host) else secrets.token_urlsafe(18)
    path = Path(name) if Path(name).is_absolute() else config.folder / name
    try:
        token = path.read_text(encoding="utf-8").strip()
    except OSError as exc:
        raise ConfigError(
            f'[page] token_file = "{name}" cannot be read ({exc.strerror})',
            "make it, readable by the service",
        ) from exc
    if len(token) < LEAST_TOKEN:
        raise ConfigError(
            f'[page] token_file = "{name}" holds fewer than {LEAST_TOKEN} characters',
            "python3 -c 'import secrets; print(secrets.token_urlsafe(18))' makes a good one",
        )
    return token


def serve(
    store: Store,
    config: Config,
    *,
    host: str | None = None,
    port: int | None = None,
    say: Callable[[str], None] = SAY,
) -> None:
    """Serve the page until stopped.

    Parameters
    ----------
    store : Store
        Open for reading.
    config : Config
    host, port
        Instead of those configured; port 0 takes any that is free.
    say : callable
        Told once where the page is.

    Raises
    ------
    ConfigError
        If the extra is not installed, or the address cannot be had.
    """
    try:
        import uvicorn

        from logger.page.app import make_app
    except ImportError as exc:
        raise ConfigError("the page needs its extra", how_to_add("page")) from exc
    host, port = host or config.page.host, config.page.port if port is None else port
    token = page_token(config, host)
    settings = uvicorn.Config(
        make_app(store, config, token=token), host=host, port=port, lifespan="off", access_log=False,
        log_level="warning", server_header=False, limit_concurrency=64, timeout_keep_alive=5, backlog=64,
        h11_max_incomplete_event_size=16_384, timeout_graceful_shutdown=2, http="h11", ws="none",
    )  # fmt: skip
    try:
        sock = settings.bind_socket()
    except (OSError, SystemExit) as exc:
        raise ConfigError(
            f"{host}:{port} cannot be had", "another program uses it; choose another [page] port"
        ) from exc
    with sock:
        bound = sock.getsockname()[1]
        say(address(host, bound, token))
        uvicorn.Server(settings).run(sockets=[sock])


def address(host: str, port: int, token: str | None) -> str:
    """Where the page is, as a line to read or to click on."""
    name = f"[{host}]" if ":" in host else host
    if host in {"0.0.0.0", "::"}:  # noqa: S104 - named, not bound
        name = _own_address()
    where = f"http://{name}:{port}/"
    return f"{where}?token={token}" if token else where


def _own_address() -> str:
    """Find this machine's address on the local network; no packet is sent to find it."""
    import socket

    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # TEST-NET-1, RFC 5737
            return str(probe.getsockname()[0])
        except OSError:
            return "127.0.0.1"
