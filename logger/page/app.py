"""The page as an ASGI application."""

from __future__ import annotations

import asyncio
import logging
import re
import threading
import time
from collections.abc import Awaitable, Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route

from adapters.base import Subject
from analysis.report.html import style_hash
from analysis.report.section_findings import as_old
from logger.documents.report_files import reading_units
from logger.live import Views
from logger.page import pages
from logger.page.feed import Feed
from logger.page.guard import Guard, Limits
from logger.page.today import Tracker
from logger.record.days import day_bounds_ms, local_day

if TYPE_CHECKING:
    from logger.config import Config
    from logger.record.store import Store

log = logging.getLogger(__name__)

NOTHING = "'none'"
CURVES_KEPT_S = 20.0
"""The day's curves are not read again sooner. [s]"""
PATIENCE_S = 0.25
"""The first page waits so long for newer curves. [s]"""
_STYLE = re.compile(r"<style>(.*?)</style>", re.DOTALL)


class Site:
    """What the page knows: it reads the record, the configuration and the report folder, nothing else."""

    def __init__(self, store: Store, config: Config, now_s: Callable[[], float]) -> None:
        self._store, self._config, self._now_s = store, config, now_s
        self._views = Views(store, config)
        self._lock, self._reading = threading.Lock(), threading.Lock()
        self._reader = ThreadPoolExecutor(1, "today")
        self._day = ""
        self._trackers: list[Tracker] = []
        self._curves: tuple[float, list[str]] = (float("-inf"), [])
        self.frame = pages.Frame(config.site.name, config.site.timezone, reading_units(config))
        self.feed = Feed(self.live, self.today)
        self.today()  # once, before anybody asks: the first page then has the curves, without scripts too

    @property
    def folder(self) -> Path:
        """Where the reports are."""
        return self._config.report_folder

    def clock(self) -> str:
        """Local time of day."""
        return f"{datetime.fromtimestamp(self._now_s(), self._config.zone):%H:%M:%S}"

    def _live(self) -> list[str]:
        with self._lock:
            views, now = self._views.update(), self._now_s()
            return [pages.live_html(v, now, i, self.frame.units) for i, v in enumerate(views)]

    def live(self) -> dict[str, object]:
        """What `live` events carry."""
        return {"packs": self._live(), "clock": self.clock()}

    def today(self) -> list[str]:
        """The day so far, as HTML, one a pack; read on only after a while."""
        with self._reading:
            now = self._now_s()
            if now - self._curves[0] > CURVES_KEPT_S:
                self._follow(local_day(round(now * 1000), self._config.zone))
                with self._store.reading() as conn:
                    courses = [tracker.update(conn) for tracker in self._trackers]
                made = [pages.today_html(c, i, self.frame.units) for i, c in enumerate(courses)]
                self._curves = (now, made)
            return self._curves[1]

    def _follow(self, day: str) -> None:
        """Begin anew when the day has changed."""
        if day != self._day:
            bounds = day_bounds_ms(day, self._config.zone)
            facts = [self._config.pack_facts(name) for name in self._config.pack_names]
            self._day, self._trackers = day, [Tracker(f, bounds) for f in facts]

    def now(self) -> str:
        """The first page; rather than wait long for the curves it shows those it has."""
        reading = self._reader.submit(self.today)
        try:
            curves = reading.result(PATIENCE_S)
        except TimeoutError:
            curves = self._curves[1]
        packs = list(zip(self._config.pack_names, self._live(), curves, strict=True))
        return pages.now_page(self.frame, packs, self._store.findings(), self.clock())

    def findings(self) -> str:
        """The findings that stand; those as old as the record may be older."""
        days = {name: self._store.days(Subject(name)) for name in self._config.pack_names}
        first = {name: found[0] for name, found in days.items() if found}
        return pages.findings_page(self.frame, as_old(self._store.findings(), first))


def make_app(
    store: Store,
    config: Config,
    *,
    token: str | None,
    now_s: Callable[[], float] = time.time,
    monotonic: Callable[[], float] = time.monotonic,
    limits: Limits | None = None,
) -> Guard:
    """Make the application.

    Parameters
    ----------
    store : Store
        Open for reading.
    config : Config
    token : str or None
        What other machines must give; None only behind a loopback address.
    now_s, monotonic : callable
        Wall clock and a clock that only grows. [s]
    limits : Limits, optional
    """
    site = Site(store, config, now_s)
    routes = [
        Route("/", _page(site.now)),
        Route("/findings", _page(site.findings)),
        Route("/reports", _page(lambda: pages.reports_page(site.frame, site.folder))),
        Route("/reports/{name}", _report(site.folder)),
        Route("/live", _live(site.feed)),
        Route("/style.css", _static("page.css", "text/css")),
        Route("/icon.svg", _static("icon.svg", "image/svg+xml")),
        Route("/page.js", _static("page.js", "text/javascript")),
    ]
    app = Starlette(routes=routes, exception_handlers={404: _missing, 500: _broken})
    return Guard(app, token=token, clock=monotonic, limits=limits)


Endpoint = Callable[[Request], Awaitable[Response]]


def _page(make: Callable[[], str]) -> Endpoint:
    async def endpoint(request: Request) -> Response:
        del request
        return HTMLResponse(await asyncio.to_thread(make))

    return endpoint


def _static(name: str, kind: str) -> Endpoint:
    async def endpoint(request: Request) -> Response:
        del request
        return Response(pages.static(name), media_type=kind, headers={"cache-control": "max-age=300"})

    return endpoint


def _report(folder: Path) -> Endpoint:
    def made(name: str) -> Response:
        path = pages.report_files(folder).get(name)
        if path is None:
            return PlainTextResponse("There is no such report.\n", 404)
        if path.suffix != ".html":
            saved_as = name if path.suffix == ".zip" else None
            return FileResponse(path, media_type=_KINDS[path.suffix], filename=saved_as)
        text = path.read_text(encoding="utf-8")
        return HTMLResponse(text, headers={"content-security-policy": report_policy(text)})

    async def endpoint(request: Request) -> Response:
        return await asyncio.to_thread(made, request.path_params["name"])

    return endpoint


_KINDS = {".pdf": "application/pdf", ".json": "application/json", ".zip": "application/zip"}


def report_policy(text: str) -> str:
    """The policy for a report: nothing but the style sheet written in it."""
    hashes = " ".join(f"'sha256-{style_hash(css)}'" for css in _STYLE.findall(text))
    fixed = "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    return f"default-src 'none'; style-src {hashes or NOTHING}; {fixed}"


def _live(feed: Feed) -> Endpoint:
    async def endpoint(request: Request) -> Response:
        if request.method == "HEAD":
            return Response(media_type="text/event-stream")
        if feed.full:
            return PlainTextResponse("Too many are listening.\n", 503, {"retry-after": "30"})
        return StreamingResponse(feed.listen(), media_type="text/event-stream")

    return endpoint


async def _missing(request: Request, exc: Exception) -> Response:
    del request, exc
    return PlainTextResponse("There is no such page.\n", 404)


async def _broken(request: Request, exc: Exception) -> Response:
    log.error("%s failed: %s", request.url.path, exc)
    return PlainTextResponse("The record could not be read just now. Load the page again.\n", 500)
