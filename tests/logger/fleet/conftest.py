"""A real PostgreSQL on loopback with a data directory of its own, and a small bank with sealed days."""

import os
import pwd
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import create_engine, text

from logger.fleet import address, central
from tests.logger.fleet.centre import Centre, Server, make_bank
from tests.orchard import free_port


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    bins = sorted(Path("/usr/lib/postgresql").glob("*/bin")) if Path("/usr/lib/postgresql").exists() else []
    if not bins:
        pytest.skip("no PostgreSQL server on this machine: apt-get install postgresql")
    folder = Path(tempfile.mkdtemp(prefix="bankbook-pg-"))
    prefix: list[str] = []
    if os.geteuid() == 0:
        user = pwd.getpwnam("postgres")
        os.chown(folder, user.pw_uid, user.pw_gid)
        prefix = ["setpriv", f"--reuid={user.pw_uid}", f"--regid={user.pw_gid}", "--clear-groups"]
    made = Server(free_port(), folder / "data", bins[-1], prefix)
    made.run(str(made.bin / "initdb"), "-D", str(made.data), "-U", "owner", "--auth=trust", "--no-sync")
    made.start()
    yield made
    made.stop("immediate")
    shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture
def centre(server: Server) -> Iterator[Centre]:
    name = f"centre_{os.getpid()}_{np.random.default_rng().integers(1 << 30)}"
    admin = create_engine(
        server.url("owner", "postgres").replace("postgresql://", "postgresql+psycopg://"),
        isolation_level="AUTOCOMMIT",
    )
    with admin.connect() as conn:
        conn.execute(text(f"CREATE DATABASE {name}"))
        if not conn.execute(text("SELECT 1 FROM pg_roles WHERE rolname='pusher'")).scalar():
            conn.execute(text("CREATE ROLE pusher LOGIN"))
    admin.dispose()
    owner = address.connect(server.url("owner", name))
    central.prepare(owner, "pusher")
    yield Centre(server, owner, server.url("pusher", name))
    owner.dispose()


@pytest.fixture
def bank_file(tmp_path: Path) -> Path:
    return make_bank(tmp_path / "bank.db")
