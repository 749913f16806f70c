"""Serves pages on one address; each gets a screen of the same watch."""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path
from string import Template
from typing import Final

import textual_serve
from aiohttp import WSMsgType, web
from aiohttp.typedefs import Handler, Middleware

from benchwatch.errors import UsageError
from benchwatch.web.address import Place
from benchwatch.web.page import Page, PageApp, page_size

MOST_PAGES: Final = 4
"""Each costs up to a fifth of a core, and readings come first."""
HEARTBEAT_S: Final = 15.0
FAREWELL_S: Final = 1.0
"""How long a page may take to say goodbye; one that is gone never does."""
LONGEST_MESSAGE: Final = 65536
FONT_SIZES, FONT_SIZE = (8, 48), 16
POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; font-src 'self'; "
    "img-src 'self' data:; connect-src {socket}; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)
"""The page may load and reach nothing but this server (https://www.w3.org/TR/CSP3/)."""
FULL: Final = f"There are {MOST_PAGES} pages open already: close one, then open this one again."

SHUTDOWN_S: Final = 5.0
STATIC: Final = Path(textual_serve.__file__).parent / "static"
"""The terminal of the page: script, style sheet, fonts."""

MakeApp = Callable[[Page], PageApp]


@dataclass(slots=True)
class Pages:
    """The server's work on requests.

    Attributes:
        place: who is let in.
        make: makes the screen of a page.
        crashed: is told in one line what broke a page.
        screens: those that are open.
    """

    place: Place
    make: MakeApp
    crashed: Callable[[str], None]
    screens: set[PageApp] = field(default_factory=set)

    async def index(self, request: web.Request) -> web.Response:
        """Answer with the page itself; ``?fontsize=22`` for a tablet that stands far away."""
        socket = f"ws://{request.host}{self.place.path}ws"
        template = Template(_own("page.html"))
        least, most = FONT_SIZES
        size = min(max(_whole(request.query.get("fontsize"), FONT_SIZE), least), most)
        return web.Response(
            text=template.substitute(socket=socket, font_size=size),
            content_type="text/html",
            headers={"Content-Security-Policy": POLICY.format(socket=socket)},
        )

    async def script(self, _request: web.Request) -> web.Response:
        """Answer with the page's own few lines of script."""
        return web.Response(text=_own("page.js"), content_type="text/javascript")

    async def socket(self, request: web.Request) -> web.WebSocketResponse:
        """Run a screen for as long as the page stays open."""
        socket = web.WebSocketResponse(
            timeout=FAREWELL_S, heartbeat=HEARTBEAT_S, max_msg_size=LONGEST_MESSAGE
        )
        await socket.prepare(request)
        if len(self.screens) >= MOST_PAGES:
            await socket.send_bytes(FULL.encode())
            await socket.close()
            return socket
        page = Page(socket.send_bytes)
        app = self.make(page)
        asked = request.query
        size = page_size(_whole(asked.get("width"), 80), _whole(asked.get("height"), 24))
        self.screens.add(app)
        running = asyncio.create_task(app.run_async(mouse=True, size=size))
        others = [
            asyncio.create_task(page.sending()),
            asyncio.create_task(_receiving(socket, page)),
        ]
        try:
            await asyncio.wait([running, *others], return_when=asyncio.FIRST_COMPLETED)
        finally:
            app.exit()
            await asyncio.gather(running, return_exceptions=True)
            self.screens.discard(app)
            for task in others:
                task.cancel()
            await asyncio.gather(*others, return_exceptions=True)
            with contextlib.suppress(ConnectionError):  # gone, and nobody is left to see it
                await page.flush()
            if app.crash:
                self.crashed(app.crash)
            await socket.close()
        return socket

    async def leave(self, _application: web.Application) -> None:
        """Close every page; called when the server ends."""
        for app in self.screens:
            app.exit()


@asynccontextmanager
async def serving(
    place: Place, make: MakeApp, crashed: Callable[[str], None]
) -> AsyncIterator[str]:
    """Serve pages for as long as the context lasts; gives the line to open in a browser.

    Raises:
        UsageError: nothing can be served there.
    """
    pages = Pages(place, make, crashed)
    application = web.Application(middlewares=[_guard(place)])
    application.on_shutdown.append(pages.leave)
    application.router.add_get(place.path, pages.index)
    application.router.add_get(f"{place.path}page.js", pages.script)
    application.router.add_get(f"{place.path}ws", pages.socket)
    application.router.add_static(f"{place.path}static", STATIC)
    runner = web.AppRunner(application, access_log=None, shutdown_timeout=SHUTDOWN_S)
    await runner.setup()
    try:
        try:
            await web.TCPSite(runner, place.address, place.port).start()
        except OSError as error:
            raise UsageError(
                f"the page can't be served on {place.address}, port {place.port}: "
                f"{error.strerror}. Choose another with --web-port or --web-address."
            ) from error
        yield place.url(runner.addresses[0][1])
    finally:
        await runner.cleanup()


def _guard(place: Place) -> Middleware:
    """Answer only who may ask, and say so to who may not."""

    @web.middleware
    async def let_in(request: web.Request, handler: Handler) -> web.StreamResponse:
        if not place.lets_in(request.host, request.headers.get("Origin")):
            raise web.HTTPForbidden(text="This page is served to this computer only.")
        return await handler(request)

    return let_in


async def _receiving(socket: web.WebSocketResponse, page: Page) -> None:
    """Hand on what the page says until it is gone."""
    async for message in socket:
        if message.type is WSMsgType.TEXT:
            answer = page.receive(message.data)
            if answer is not None:
                await socket.send_str(answer)


def _own(name: str) -> str:
    return (files(__package__) / name).read_text(encoding="utf-8")


def _whole(text: str | None, usual: int) -> int:
    return int(text) if text is not None and text.isdecimal() and len(text) < 6 else usual
