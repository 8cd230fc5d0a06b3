"""What stands before every request: who may ask, how often, how much, and with which headers we answer.

Nothing behind it can change anything: only GET and HEAD pass, and no body is read.
"""

from __future__ import annotations

import hashlib
import hmac
import math
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from http.cookies import SimpleCookie
from typing import Final
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

COOKIE: Final = "bankbook"
LOOPBACK: Final = frozenset({"127.0.0.1", "localhost", "::1"})
MAX_QUERY: Final = 512
POLICY: Final = (
    "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; img-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS: Final = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}


@dataclass(frozen=True, slots=True)
class Limits:
    """How much one client may ask.

    Attributes
    ----------
    burst : float
        Requests at once.
    per_s : float
        Requests a second in the long run.
    wrong_cost : float
        What a wrong token costs, in requests.
    clients : int
        Clients remembered; the one not seen for longest is forgotten.
    """

    burst: float = 60.0
    per_s: float = 4.0
    wrong_cost: float = 15.0
    clients: int = 512


class Buckets:
    """A bucket of requests for each client, filled again with time."""

    def __init__(self, limits: Limits, clock: Callable[[], float]) -> None:
        self._limits = limits
        self._clock = clock
        self._level: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def take(self, client: str, cost: float = 1.0) -> float:
        """Take from a client's bucket; return the seconds to wait, 0 if it was allowed. [s]"""
        now = self._clock()
        level, at = self._level.pop(client, (self._limits.burst, now))
        level = min(self._limits.burst, level + (now - at) * self._limits.per_s)
        allowed = level >= 1.0
        self._level[client] = (level - cost if allowed else level, now)
        while len(self._level) > self._limits.clients:
            self._level.popitem(last=False)
        return 0.0 if allowed else (1.0 - level) / self._limits.per_s


class Guard:
    """The middleware.

    Parameters
    ----------
    app : ASGI application
    token : str or None
        What other machines must give; None lets everybody in who reaches us, meant for loopback only.
    clock : callable
        Seconds that only grow. [s]
    limits : Limits
    """

    def __init__(
        self, app: ASGIApp, *, token: str | None, clock: Callable[[], float], limits: Limits | None = None
    ) -> None:
        self._app = app
        self._token = token
        self._limits = limits or Limits()
        self._buckets = Buckets(self._limits, clock)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check one request and pass it on, or answer it here."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers.setdefault("content-security-policy", POLICY)
                headers.setdefault("cache-control", "no-store")
                for name, value in HEADERS.items():
                    headers[name] = value
            await send(message)

        refusal = self._refusal(scope)
        await (refusal or self._app)(scope, receive, with_headers)

    def _refusal(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        client = scope["client"][0] if scope.get("client") else "?"
        if wait := self._buckets.take(client):
            seconds = str(math.ceil(wait))
            return PlainTextResponse(f"Too many requests; wait {seconds} s.\n", 429, {"retry-after": seconds})
        if scope["method"] not in {"GET", "HEAD"}:
            return PlainTextResponse("This page can only be read.\n", 405, {"allow": "GET, HEAD"})
        if headers.get("content-length", "0") != "0" or "transfer-encoding" in headers:
            return PlainTextResponse("A request to this page has no body.\n", 413)
        if len(scope["query_string"]) > MAX_QUERY:
            return PlainTextResponse("The address is too long.\n", 414)
        if self._token is None:
            return None if _host(headers) in LOOPBACK else _wrong_host()
        return self._token_refusal(scope, headers, client)

    def _token_refusal(self, scope: Scope, headers: Headers, client: str) -> Response | None:
        assert self._token is not None  # noqa: S101 - the caller checked
        given = parse_qs(scope["query_string"].decode("latin-1")).get("token", [""])[0]
        if given:
            if _same(given, self._token):
                return self._welcome(scope)
            self._buckets.take(client, self._limits.wrong_cost)
            return None if scope["path"] in OPEN else _ask("That token is not right.")
        bearer = headers.get("authorization", "").removeprefix("Bearer ")
        cookie = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
        if _same(bearer, self._token) or (
            cookie is not None and _same(cookie.value, cookie_for(self._token))
        ):
            return None
        return None if scope["path"] in OPEN else _ask("")

    def _welcome(self, scope: Scope) -> Response:
        """Take the token out of the address and into a cookie that scripts cannot read."""
        assert self._token is not None  # noqa: S101 - the caller checked
        response = RedirectResponse(scope["path"], 303)
        response.set_cookie(
            COOKIE, cookie_for(self._token), httponly=True, samesite="strict", max_age=400 * 86400
        )
        return response


OPEN: Final = frozenset({"/style.css", "/icon.svg"})
"""What may be fetched without a token: it holds nothing of the site."""


def cookie_for(token: str) -> str:
    """What the cookie holds: not the token itself."""
    return hmac.new(token.encode(), b"bankbook page", hashlib.sha256).hexdigest()


def _same(given: str, wanted: str) -> bool:
    return hmac.compare_digest(given.encode(), wanted.encode())


def _host(headers: Headers) -> str:
    """Name the request was sent to, without the port: a foreign one means a page that tricks a browser."""
    host = headers.get("host", "")
    if host.startswith("["):
        return host[1:].partition("]")[0]
    return host.partition(":")[0]


def _wrong_host() -> Response:
    return PlainTextResponse("Ask for this page as localhost or 127.0.0.1.\n", 421)


def _ask(problem: str) -> Response:
    from logger.page.pages import token_page

    return Response(token_page(problem), 401, media_type="text/html")
