"""Serves pages on one address; every page shows a screen of the same watch."""

import asyncio
import contextlib
import html
import io
import logging
import os
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

from benchwatch.colours import DARK, Palette
from benchwatch.errors import UsageError
from benchwatch.web.browser_page import PageApp, PageChannel, page_size
from benchwatch.web.connections import ConnectionAcceptor, listening_on
from benchwatch.web.error_log import error_log, note_errors_of
from benchwatch.web.served_address import ServedAddress

MOST_PAGES: Final = 4
"""Most open pages: a page uses up to a fifth of a core, and readings must not be delayed."""
HEARTBEAT_S: Final = 15.0
"""Time between two pings; a page that does not answer is closed."""
CLOSE_S: Final = 1.0
"""Longest wait for a page to close its socket; a page that is lost never does."""
LONGEST_MESSAGE_BYTES: Final = 65536
FONT_SIZE_RANGE, USUAL_FONT_SIZE = (8, 48), 16
PAGE_POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; font-src 'self'; "
    "img-src 'self' data:; connect-src {socket}; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)
"""The page may load from and connect to this server only (https://www.w3.org/TR/CSP3/)."""
HEADERS: Final = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": "default-src 'none'; frame-ancestors 'none'",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
}
"""Headers of every answer: no other site may frame or load it, nothing is cached, and no link sends
the secret path to another site."""
LINGER_S: Final = 1.0
"""Time for which data after a request is discarded before the connection is closed."""
NO_MORE_PAGES: Final = (
    f"There are {MOST_PAGES} pages open already: close one, then open this one again."
)

SHUTDOWN_S: Final = 5.0
"""Longest wait for open requests at the end."""
STATIC: Final = Path(textual_serve.__file__).parent / "static"
"""Folder of the page's terminal emulator: script, style sheet, fonts."""

MakeApp = Callable[[PageChannel], PageApp]
"""Creates the screen of a page."""


@dataclass(slots=True, kw_only=True)
class RequestHandlers:
    """The handlers of the page server's requests.

    Attributes:
        address: decides which requests are allowed.
        make: creates the screen of a page.
        crashed: called with one line on the error that ended a page.
        asked: called with the transport of each request, and with ``lasting=True`` for a page.
        palette: colours of the page around the screen.
        screens: screens of the open pages.
        files: files of the terminal emulator, by their path in the URL.
    """

    address: ServedAddress
    make: MakeApp
    crashed: Callable[[str], None]
    asked: Callable[..., None]
    palette: Palette
    screens: set[PageApp] = field(default_factory=set)
    files: dict[str, Path] = field(default_factory=lambda: files_under(STATIC))

    async def index(self, request: web.Request) -> web.Response:
        """Answer with the page itself; ``?fontsize=22`` makes the characters larger."""
        socket = f"ws://{request.host}{self.address.path}ws"
        template = Template(_own("page.html"))
        least, most = FONT_SIZE_RANGE
        size = min(max(_whole(request.query.get("fontsize"), USUAL_FONT_SIZE), least), most)
        return web.Response(
            text=template.substitute(
                socket=html.escape(socket),
                font_size=size,
                background=self.palette.background,
                ink=self.palette.off_lamp.colour,
                caution=self.palette.off_lamp.background,
            ),
            content_type="text/html",
            headers={"Content-Security-Policy": PAGE_POLICY.format(socket=socket)},
        )

    async def script(self, _request: web.Request) -> web.Response:
        """Answer with the page's own script."""
        return web.Response(text=_own("page.js"), content_type="text/javascript")

    async def file(self, request: web.Request) -> web.FileResponse:
        """Answer with a file of the terminal emulator.

        Raises:
            web.HTTPNotFound: there was no such file when the server started.
        """
        path = self.files.get(request.match_info["name"])
        if path is None:
            raise web.HTTPNotFound
        return web.FileResponse(path)

    async def socket(self, request: web.Request) -> web.WebSocketResponse:
        """Run a screen while the page is open; refuse it if `MOST_PAGES` are open already."""
        socket = web.WebSocketResponse(
            timeout=CLOSE_S, heartbeat=HEARTBEAT_S, max_msg_size=LONGEST_MESSAGE_BYTES
        )
        await socket.prepare(request)
        if len(self.screens) >= MOST_PAGES:
            await socket.send_bytes((_text_colour(self.palette) + NO_MORE_PAGES).encode())
            await socket.close()
            return socket
        self.asked(request.transport, lasting=True)
        page = PageChannel(socket.send_bytes)
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
            with contextlib.suppress(ConnectionError):  # the page has been closed
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
    address: ServedAddress,
    make: MakeApp,
    crashed: Callable[[str], None],
    *,
    palette: Palette = DARK,
    trouble: Callable[[str], None] = lambda _: None,
    logger: logging.Logger | None = None,
) -> AsyncIterator[str]:
    """Serve pages while the context lasts; yield the URL to open in a browser.

    Args:
        address: address to serve on, and the secret that gives access.
        make: creates the screen of a page.
        crashed: called with one line on the error that ended a page.
        palette: colours of the page around the screen.
        trouble: called with a sentence when no more pages can be opened.
        logger: logger for errors in full; None: they are not logged.

    Raises:
        UsageError: the address or port can't be used.
    """
    logger = logger or error_log(io.StringIO())
    application = web.Application()
    runner = web.AppRunner(
        application,
        access_log=None,
        shutdown_timeout=SHUTDOWN_S,
        logger=logger,
        lingering_time=LINGER_S,
    )
    try:
        listening = listening_on(address.address, address.port)
    except OSError as error:
        raise UsageError(
            f"the page can't be served on {address.address}, port {address.port}: "
            f"{os.strerror(error.errno or 0)}. Choose another with --web-port or --web-address."
        ) from error
    with listening:
        connections = ConnectionAcceptor(listening, lambda: _answering(runner), trouble)
        pages = RequestHandlers(
            address=address,
            make=make,
            crashed=crashed,
            asked=connections.asked,
            palette=palette,
        )
        application.middlewares.append(_guard(address, connections))
        application.on_response_prepare.append(_add_headers)
        application.on_shutdown.append(pages.leave)
        for path, answer in (
            ("", pages.index),
            ("page.js", pages.script),
            ("ws", pages.socket),
            ("static/{name:.+}", pages.file),
        ):
            application.router.add_get(f"/{{secret}}/{path}", answer)
        await runner.setup()
        note_errors_of(asyncio.get_running_loop(), logger)
        taking = asyncio.create_task(connections.taking())
        try:
            yield address.url(listening.getsockname()[1])
        finally:
            taking.cancel()
            await asyncio.gather(taking, return_exceptions=True)
            await runner.cleanup()


def _text_colour(palette: Palette) -> str:
    """Return the escape sequence for text of this palette; none for the dark one, as is usual."""
    if palette is DARK:
        return ""
    red, green, blue = bytes.fromhex(palette.text.colour.removeprefix("#"))
    return f"\x1b[38;2;{red};{green};{blue}m"


def _answering(runner: web.AppRunner) -> asyncio.Protocol:
    assert runner.server is not None, "the runner is set up"
    return runner.server()


def _guard(address: ServedAddress, connections: ConnectionAcceptor) -> Middleware:
    """Return a middleware that refuses forbidden requests, and closes a connection after one."""

    @web.middleware
    async def allow(request: web.Request, handler: Handler) -> web.StreamResponse:
        connections.asked(request.transport)
        try:
            if not address.allows(request.host, request.headers.get("Origin")):
                raise web.HTTPForbidden(text="This page is not served under that name.")
            if not address.is_secret(request.match_info.get("secret", "")):
                raise web.HTTPNotFound
            response = await handler(request)
        except web.HTTPException as refusal:
            refusal.force_close()
            raise
        if not response.prepared:
            response.force_close()
        return response

    return allow


async def _add_headers(_request: web.Request, response: web.StreamResponse) -> None:
    response.headers.pop("Server", None)
    for name, value in HEADERS.items():
        response.headers.setdefault(name, value)


async def _receiving(socket: web.WebSocketResponse, page: PageChannel) -> None:
    """Process the messages of the page until it is closed."""
    async for message in socket:
        if message.type is WSMsgType.TEXT:
            answer = page.receive(message.data)
            if answer is not None:
                await socket.send_str(answer)


def files_under(folder: Path) -> dict[str, Path]:
    """Return all files in `folder`, by their path relative to it."""
    return {
        path.relative_to(folder).as_posix(): path for path in folder.rglob("*") if path.is_file()
    }


def _own(name: str) -> str:
    """Return the text of a file beside this module."""
    return (files(__package__) / name).read_text(encoding="utf-8")


def _whole(text: str | None, usual: int) -> int:
    """Read a whole number from a query; `usual` if it is missing or malformed."""
    return int(text) if text is not None and text.isdecimal() and len(text) < 6 else usual
