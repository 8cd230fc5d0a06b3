"""Where the central database is. A password never stands in a URL, a log line or a process list."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import Engine, create_engine
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, IntegrityError, NoSuchModuleError

from adapters.errors import BankbookError, ConfigError, SourceLost, StoreError
from logger.extras import how_to_add

PASSFILE_VARIABLE = "BANKBOOK_FLEET_PASSFILE"
"""Environment: file in the database's own password-file form (host:port:database:user:password)."""


def parse(text: str) -> URL:
    """Read a URL, refuse one that carries a secret.

    Parameters
    ----------
    text : str
        "postgresql://user@host:port/database" or "sqlite:///file".

    Raises
    ------
    ConfigError
        If it is no database URL, of a kind we do not speak, or holds a password.
    """
    try:
        url = make_url(text)
    except ArgumentError as error:
        raise ConfigError(
            "the central database's address is not a URL", "write postgresql://user@host/database"
        ) from error
    if url.password is not None or "password" in url.query:
        raise ConfigError(
            "the central database's address holds a password, which every user of this machine can read",
            f"take it out; give it by PGPASSWORD, or by a file of mode 600 named in {PASSFILE_VARIABLE}",
        )
    if url.get_backend_name() not in {"postgresql", "sqlite"}:
        raise ConfigError(
            f"no driver for {url.get_backend_name()!r} databases", "use a postgresql:// or sqlite:/// address"
        )
    return url


def _passfile() -> str | None:
    name = os.environ.get(PASSFILE_VARIABLE)
    if not name:
        return None
    path = Path(name)
    try:
        mode = path.stat().st_mode
    except OSError as error:
        raise ConfigError(
            f"{PASSFILE_VARIABLE} names {name}, which cannot be read",
            "create it, mode 600, or unset the variable",
        ) from error
    if mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise ConfigError(f"{name} can be read by others (mode {stat.S_IMODE(mode):o})", f"chmod 600 {name}")
    return str(path)


def connect(text: str) -> Engine:
    """Return an engine for the central database; nothing is contacted yet.

    Raises
    ------
    ConfigError
        As `parse`; or the driver is not installed, or the password file is open to others.
    """
    url = parse(text)
    if url.get_backend_name() == "sqlite":
        return create_engine(url)
    passfile = _passfile()
    try:
        return create_engine(
            url.set(drivername="postgresql+psycopg"),
            connect_args={"connect_timeout": 10} | ({"passfile": passfile} if passfile else {}),
            pool_pre_ping=True,
            hide_parameters=True,
        )
    except (NoSuchModuleError, ModuleNotFoundError) as error:
        raise ConfigError(
            "the driver for a central database is not installed", how_to_add("fleet")
        ) from error


def place(engine: Engine) -> str:
    """Return where an engine connects, for messages: no user, no secret."""
    url = engine.url
    return f"{url.host or 'local'}/{url.database}"


@contextmanager
def speaking(engine: Engine) -> Iterator[None]:
    """Turn what the driver raises meanwhile into errors of ours, with a remedy.

    Raises
    ------
    ConfigError
        If the centre does not let us in, or a database or role is not there.
    SourceLost
        If the line is cut, or another push of the same bank was faster.
    StoreError
        If the centre refuses something; its words are in the message.
    """
    try:
        yield
    except DBAPIError as error:
        raise explained(error, place(engine)) from error


def explained(error: DBAPIError, where: str) -> BankbookError:
    """Return the error of ours that says what a driver's error means."""
    words = str(error.orig).strip().splitlines()
    first = words[0] if words else type(error.orig).__name__
    state = getattr(error.orig, "sqlstate", None)
    if "bankbook: " in first:
        return StoreError(
            f"the centre refused: {first.split('bankbook: ', 1)[1]}", "run `bankbook verify` here"
        )
    if any(word in first for word in ("password", "authentication", "pg_hba.conf")):
        return ConfigError(
            f"the central database at {where} does not let us in: {_last_part(first)}",
            f"check the user in the address; give the password by PGPASSWORD, or by a file of mode 600 named "
            f"in {PASSFILE_VARIABLE}",
        )
    if "does not exist" in first and state in (None, "42704"):
        return ConfigError(
            f"the central database at {where} says: {_last_part(first)}",
            "its owner makes the database and the role first; see logger/fleet/DESK.md",
        )
    if state == "42501":
        return StoreError(
            f"the central database at {where} does not allow this to that user: {_last_part(first)}",
            "its owner runs `bankbook fleet prepare URL --pusher ROLE`; only the owner prepares",
        )
    if error.connection_invalidated or "connection" in first.lower():
        return SourceLost(
            f"lost the central database at {where}: {first}", "try again; a push goes on from there"
        )
    if isinstance(error, IntegrityError):
        return SourceLost(
            f"another push of this bank was faster at {where}", "push again, it sends what is still missing"
        )
    return StoreError(f"the central database at {where} says: {first}")


def _last_part(words: str) -> str:
    """Return the end of a driver's message: what went wrong, without the address before it."""
    return words.rsplit("FATAL:", 1)[-1].rsplit("failed:", 1)[-1].strip()
