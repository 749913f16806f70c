"""A headless Chromium, driven by its DevTools protocol over a web socket.

The protocol: https://chromedevtools.github.io/devtools-protocol/ (methods and events are called by
their names there).
"""

import asyncio
import base64
import itertools
import re
import shutil
from contextlib import asynccontextmanager

from load_kit import LONGEST_WAIT_S

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
    "--enable-unsafe-swiftshader",
    "--remote-debugging-port=0",
)


class Tab:
    """One tab: calls methods, and keeps the events received."""

    def __init__(self, socket):
        self._socket, self._ids = socket, itertools.count(1)
        self.events = []

    async def call(self, method, **parameters):
        """Call a method and return its result."""
        number = next(self._ids)
        await self._socket.send_json({"id": number, "method": method, "params": parameters})
        while (message := await self._next()).get("id") != number:
            pass
        assert "error" not in message, message
        return message["result"]

    async def until(self, true_of):
        """Receive events until `true_of(tab)` is true."""
        async with asyncio.timeout(LONGEST_WAIT_S):
            while not true_of(self):
                await self._next()

    async def _next(self):
        message = await self._socket.receive_json()
        if "method" in message:
            self.events.append((message["method"], message["params"]))
        return message

    def of(self, method):
        """Return the parameters of all events called `method`."""
        return [parameters for name, parameters in self.events if name == method]

    @property
    def drawn(self):
        """All text that the page has received on its web socket, for its terminal to draw."""
        frames = [one["response"] for one in self.of("Network.webSocketFrameReceived")]
        return b"".join(
            base64.b64decode(frame["payloadData"]) for frame in frames if frame["opcode"] == 2
        ).decode()

    async def press(self, key):
        """Press and release the key of a character."""
        await self.call("Input.dispatchKeyEvent", type="keyDown", key=key, text=key)
        await self.call("Input.dispatchKeyEvent", type="keyUp", key=key)

    async def value(self, expression):
        """Evaluate an expression of the page's script."""
        answer = await self.call(
            "Runtime.evaluate", expression=expression, awaitPromise=True, returnByValue=True
        )
        return answer["result"].get("value")

    async def picture(self):
        """Return a screenshot of the page, a PNG."""
        return base64.b64decode((await self.call("Page.captureScreenshot"))["data"])


@asynccontextmanager
async def browser(client, home, size=(1200, 800)):
    """Start the browser with an empty profile in `home`; yield its first tab."""
    window = f"--window-size={size[0]},{size[1]}"
    process = await asyncio.create_subprocess_exec(
        CHROMIUM,
        *FLAGS,
        window,
        f"--user-data-dir={home}",
        "about:blank",
        stdout=asyncio.subprocess.DEVNULL,
        stderr=asyncio.subprocess.PIPE,
    )
    try:
        port = await asyncio.wait_for(_port(process), LONGEST_WAIT_S)
        async with client.get(f"http://127.0.0.1:{port}/json/list") as answer:
            tabs = await answer.json()
        place = next(tab["webSocketDebuggerUrl"] for tab in tabs if tab["type"] == "page")
        async with client.ws_connect(place, max_msg_size=0) as socket:
            tab = Tab(socket)
            for domain in ("Page", "Network", "Runtime"):
                await tab.call(f"{domain}.enable")
            yield tab
    finally:
        process.terminate()
        await process.communicate()


async def _port(process):
    """Return the port that the browser reports on its standard error."""
    while line := await process.stderr.readline():
        if match := re.match(rb"DevTools listening on ws://[^/]+:(\d+)/", line):
            return int(match[1])
    raise AssertionError("the browser did not start")
