"""The page served to a client of the same process, by the library that the page's server uses."""

import asyncio
import io
import json
from contextlib import asynccontextmanager

import aiohttp
import screen_kit as kit
from load_kit import LONGEST_WAIT_S
from terminal_kit import rows_of

from benchwatch.screen.display_options import DisplayOptions
from benchwatch.screen.drawing.theme import Theme
from benchwatch.web.browser_page import PageApp
from benchwatch.web.page_server import serving
from benchwatch.web.served_address import LOOPBACK, ServedAddress


class PageClient:
    """What a page does, without a browser: it draws what comes and sends keys."""

    def __init__(self, socket, width=80, height=24):
        self.socket, self.width, self.height = socket, width, height
        self.seen = ""

    @property
    def screen(self):
        """What stands on the page."""
        return "\n".join(rows_of(self.seen, self.width, self.height))

    async def until(self, text):
        """Read until `text` stands on the page; True when it does, False at the end."""
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


def maker(watch, made=None):
    """Make screens of `watch` that remember nothing."""

    def make(page):
        options = DisplayOptions(theme=Theme(), state=None, bell=False, view="trim")
        app = PageApp(page, io.StringIO(), watch, options=options)
        if made is not None:
            made.append(app)
        return app

    return make


@asynccontextmanager
async def served(place=None, watch=None, made=None, crashes=None):
    """Serve a fixed snapshot; gives the address line and a client."""
    watch = watch or kit.FakeWatch(kit.full_snapshot())
    told = [] if crashes is None else crashes
    async with (
        serving(place or ServedAddress(LOOPBACK, 0), maker(watch, made), told.append) as url,
        aiohttp.ClientSession() as client,
    ):
        yield url, client
    if crashes is None:
        assert told == []


@asynccontextmanager
async def opened(client, url, query="width=80&height=24"):
    """Open a page."""
    async with client.ws_connect(f"{url}ws?{query}") as socket:
        yield PageClient(socket)


async def status_of(client, url, **how):
    """Get `url` and return the status."""
    async with client.get(url, **how) as answer:
        await answer.read()
    return answer.status
