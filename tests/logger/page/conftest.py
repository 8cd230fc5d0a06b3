"""An application on a small site, asked as ASGI without a network."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from logger.page.app import make_app
from logger.page.guard import Limits
from tests.logger.made import Place, make_site
from tests.logger.page.client import Client, MakeClient


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
