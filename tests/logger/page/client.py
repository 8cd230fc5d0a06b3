"""Asks an application as ASGI, without a network."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Protocol

from starlette.types import ASGIApp, Message

from logger.page.guard import Limits


@dataclass
class Answer:
    """Status, headers and body of an answer."""

    status: int = 0
    headers: dict[str, str] = field(default_factory=dict)
    body: bytes = b""

    @property
    def text(self) -> str:
        return self.body.decode()


@dataclass
class Client:
    """Asks an application directly."""

    app: ASGIApp
    address: str = "127.0.0.1"
    cookie: str = ""

    def get(
        self, path: str, *, method: str = "GET", host: str = "localhost:8420",
        headers: dict[str, str] | None = None, until: Callable[[bytes], bool] | None = None,
    ) -> Answer:  # fmt: skip
        return asyncio.run(self._get(path, method, {"host": host, **(headers or {})}, until))

    async def _get(
        self, path: str, method: str, headers: dict[str, str], until: Callable[[bytes], bool] | None
    ) -> Answer:
        if self.cookie:
            headers["cookie"] = self.cookie
        where, _, query = path.partition("?")
        scope: dict[str, Any] = {
            "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": method,
            "scheme": "http",
            "path": where, "raw_path": where.encode(), "query_string": query.encode(), "root_path": "",
            "headers": [(k.encode(), v.encode()) for k, v in headers.items()],
            "client": (self.address, 50000), "server": ("127.0.0.1", 8420),
        }  # fmt: skip
        answer, gone = Answer(), asyncio.Event()

        async def send(message: Message) -> None:
            if message["type"] == "http.response.start":
                answer.status = message["status"]
                answer.headers = {k.decode(): v.decode() for k, v in message["headers"]}
            else:
                answer.body += message.get("body", b"")
                if until is not None and until(answer.body):
                    gone.set()

        sent = False

        async def receive() -> Message:
            nonlocal sent
            if not sent:
                sent = True
                return {"type": "http.request", "body": b"", "more_body": False}
            await gone.wait()
            return {"type": "http.disconnect"}

        await asyncio.wait_for(self.app(scope, receive, send), 30)
        if set_cookie := answer.headers.get("set-cookie"):
            self.cookie = set_cookie.partition(";")[0]
        return answer


class MakeClient(Protocol):
    """Makes a client of the small site's page."""

    def __call__(
        self, token: str | None = None, limits: Limits | None = None, seconds: list[float] | None = None
    ) -> Client: ...
