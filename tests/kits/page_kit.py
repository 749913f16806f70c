"""The served page, and a client for it in the same process, by the server's own library."""

import asyncio
import io
import json
from contextlib import asynccontextmanager

import aiohttp
import screen_kit as kit
from load_kit import LONGEST_WAIT_S
from terminal_kit import rows_of

from benchwatch.colours import palette_of
from benchwatch.screen.display_options import DisplayOptions
from benchwatch.screen.drawing.theme import Theme
from benchwatch.web.browser_page import PageApp
from benchwatch.web.page_server import serving
from benchwatch.web.served_address import LOOPBACK, ServedAddress


class PageClient:
    """A page without a browser: draws what the server sends, and sends keys."""

    def __init__(self, socket, width=80, height=24):
        self.socket, self.width, self.height = socket, width, height
        self.seen = ""

    @property
    def screen(self):
        """The text on the page."""
        return "\n".join(rows_of(self.seen, self.width, self.height))

    async def until(self, text):
        """Read until `text` is on the page; return False if the session ends before."""
        async with asyncio.timeout(LONGEST_WAIT_S):
            while text not in self.screen:
                message = await self.socket.receive()
                if message.type is not aiohttp.WSMsgType.BINARY:
                    return False
                self.seen += message.data.decode()
        return True

    async def end(self):
        """Read to the end of the session."""
        async with asyncio.timeout(LONGEST_WAIT_S):
            async for message in self.socket:
                if message.type is aiohttp.WSMsgType.BINARY:
                    self.seen += message.data.decode()

    async def type(self, keys):
        """Press keys."""
        await self.socket.send_str(json.dumps(["stdin", keys]))


def maker(watch, made=None, theme="dark"):
    """Return a function that makes screens of `watch`, without kept settings, for `serving`.

    The screens are also appended to `made`.
    """

    def make(page):
        options = DisplayOptions(theme=Theme(word=theme), state=None, bell=False, view="trim")
        app = PageApp(page, io.StringIO(), watch, options=options)
        if made is not None:
            made.append(app)
        return app

    return make


@asynccontextmanager
async def served(place=None, watch=None, made=None, crashes=None, theme="dark"):
    """Serve a fixed snapshot; yield its URL and an HTTP client.

    Without a list of `crashes`, check at the end that there were none.
    """
    watch = watch or kit.FakeWatch(kit.full_snapshot())
    reported = [] if crashes is None else crashes
    async with (
        serving(
            place or ServedAddress(LOOPBACK, 0),
            maker(watch, made, theme),
            reported.append,
            palette=palette_of(theme),
        ) as url,
        aiohttp.ClientSession() as client,
    ):
        yield url, client
    if crashes is None:
        assert reported == []


@asynccontextmanager
async def opened(client, url, query="width=80&height=24"):
    """Open a page; yield its `PageClient`."""
    async with client.ws_connect(f"{url}ws?{query}") as socket:
        yield PageClient(socket)


async def status_of(client, url, **how):
    """Get `url` and return the HTTP status."""
    async with client.get(url, **how) as answer:
        await answer.read()
    return answer.status
