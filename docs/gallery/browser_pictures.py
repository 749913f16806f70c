"""Pictures of the page in a browser: a watch of a simulated bench, opened by a chromium."""

import asyncio
import os
import sys
import tempfile
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

KITS: Final = Path(__file__).parents[2] / "tests" / "kits"


@dataclass(frozen=True, slots=True, kw_only=True)
class BrowserPicture:
    """A picture of the page."""

    name: str
    arguments: Sequence[str]
    """Of ``benchwatch watch``."""
    size: tuple[int, int]
    """Of the window, in pixels."""
    keys: str
    """Keys that are pressed once the page has been open for a while."""
    says: str


PICTURES: Final = (
    BrowserPicture(
        name="page",
        arguments=("--sim", "five", "--seed", "7"),
        size=(1000, 600),
        keys="",
        says="The screen on a page in a browser: five units of a simulated bench.",
    ),
    BrowserPicture(
        name="page-light",
        arguments=("--sim", "station", "--seed", "7", "--theme", "light"),
        size=(680, 560),
        keys="2",
        says="The page in the light theme, in a small window; its keys can be tapped.",
    ),
)
OPEN_S: Final = 25.0
"""How long a page is open before its picture is taken; the simulated ovens warm up in seconds."""


def draw_page(out: Path) -> None:
    """Write the pictures of the page to `out`, where there is a chromium and what it needs."""
    sys.path.insert(0, str(KITS))
    try:
        import aiohttp  # noqa: F401, PLC0415 - an extra
        import textual_serve  # noqa: F401, PLC0415 - likewise
        from browser_kit import CHROMIUM  # noqa: PLC0415 - lies with the tests
    except ImportError as error:
        print(f"the page was not drawn: it needs {error.name}", file=sys.stderr)
        return
    if CHROMIUM is None:
        print("the page was not drawn: no chromium is on the path", file=sys.stderr)
        return
    for asked in PICTURES:
        (out / f"{asked.name}.png").write_bytes(asyncio.run(_drawn(asked)))


async def _drawn(asked: BrowserPicture) -> bytes:
    """Open a page of a watch of its own, and return its picture as PNG."""
    from aiohttp import ClientSession  # noqa: PLC0415 - an extra
    from browser_kit import browser  # noqa: PLC0415 - lies with the tests

    with tempfile.TemporaryDirectory() as home:
        async with (
            _served(asked.arguments, home) as url,
            ClientSession() as client,
            browser(client, Path(home) / "browser", asked.size) as tab,
        ):
            await tab.call("Page.navigate", url=url)
            await tab.until(lambda tab: "quit" in tab.drawn)
            await asyncio.sleep(OPEN_S)
            for key in asked.keys:
                await tab.press(key)
            await asyncio.sleep(2.0)
            picture: bytes = await tab.picture()
            return picture


@asynccontextmanager
async def _served(arguments: Sequence[str], home: str) -> AsyncIterator[str]:
    """Watch a simulated bench on a page; yield its address."""
    command = (sys.executable, "-m", "benchwatch.cli", "watch", *arguments)
    options = ("--web", "--web-port", "0", "--no-journal")
    process = await asyncio.create_subprocess_exec(
        *command,
        *options,
        env={**os.environ, "HOME": home, "TZ": "UTC", "NO_COLOR": ""},
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.DEVNULL,
    )
    try:
        assert process.stdout is not None
        yield (await process.stdout.readline()).decode().strip()
    finally:
        process.terminate()
        await process.communicate()
