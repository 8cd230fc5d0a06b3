"""An application on a small site, asked as ASGI without a network; and served for a real browser."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager

import pytest

from logger.page.app import make_app
from logger.page.guard import Limits
from tests.logger.made import Place, make_site
from tests.logger.page.browser import Browser, find
from tests.logger.page.client import Client, MakeClient

SERVER = """
import sys
from pathlib import Path
import uvicorn
from logger.config import Config
from logger.record.opening import open_record
from logger.page.app import make_app
from logger.page.guard import Limits
config = Config.load(Path(sys.argv[1]))
app = make_app(open_record(config, "read"), config, token=sys.argv[3] or None,
               now_s=lambda: float(sys.argv[2]), limits=Limits(burst=1e6))
settings = uvicorn.Config(app, port=0, lifespan="off", access_log=False, log_level="warning", ws="none",
                          timeout_graceful_shutdown=1)
sock = settings.bind_socket()
print(sock.getsockname()[1], flush=True)
uvicorn.Server(settings).run(sockets=[sock])
"""


@pytest.fixture(scope="package")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Place]:
    config, store, now = make_site(tmp_path_factory.mktemp("site"), 2)
    config.report_folder.mkdir()
    yield config, store, now
    store.close()


@pytest.fixture
def make_client(place: Place) -> MakeClient:
    config, store, now = place

    def make(
        token: str | None = None, limits: Limits | None = None, seconds: list[float] | None = None
    ) -> Client:
        ticking = seconds if seconds is not None else [0.0]
        app = make_app(
            store, config, token=token, now_s=lambda: now, monotonic=lambda: ticking[0], limits=limits
        )
        return Client(app)

    return make


@contextmanager
def serving(place: Place, token: str = "") -> Iterator[str]:
    """Serve the site in a process of its own, its clock standing; give the address."""
    config, _, now = place
    child = subprocess.Popen(
        [sys.executable, "-c", SERVER, str(config.path), str(now), token],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONWARNINGS": ""},
    )
    assert child.stdout is not None
    try:
        yield f"http://127.0.0.1:{int(child.stdout.readline())}"
    finally:
        child.terminate()
        child.wait(10)
        child.stdout.close()


@pytest.fixture(scope="package")
def serve(place: Place) -> Iterator[Callable[[str], str]]:
    """Serve the site with a token, or with none if it is empty."""
    with ExitStack() as running:
        yield lambda token: running.enter_context(serving(place, token))


@pytest.fixture(scope="package")
def address(serve: Callable[[str], str]) -> str:
    return serve("")


@pytest.fixture(scope="package")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    program = find()
    if program is None:
        pytest.skip("no chromium is installed")
    with Browser(program, tmp_path_factory.mktemp("profile")) as opened:
        yield opened
