"""The screen of one page: draws on a web socket, and reads keys from it."""

import asyncio
import json
import sys
from collections.abc import Awaitable, Callable
from typing import Any, Final, TextIO, cast

from rich.console import Console
from textual.app import App
from textual.constants import ESCAPE_DELAY
from textual.driver import Driver
from textual.events import Resize
from textual.geometry import Size

from benchwatch.screen.app import BenchwatchApp
from benchwatch.screen.terminal.key_input import KeyInput

WIDTHS, HEIGHTS = (20, 500), (6, 200)
"""Least and most columns, and least and most lines, of a page."""
MOST_WAITING_CHARS: Final = 2_000_000
"""Characters that may wait to be sent; a slower page is closed."""
LONGEST_KEYS_CHARS: Final = 4096
"""Longest key input in one message; the rest is dropped."""
KEY_BURST, KEYS_PER_S = 120, 60.0
"""Keys that a page may send at once, and then a second: twice the repeat rate of a held key."""
RESIZE_S: Final = 0.1
"""Shortest time between two changes of the size."""

_BEGIN: Final = "\x1b[?1049h\x1b[?25l\x1b[?2004h\x1b[?2026$p"
"""Alternate screen, no cursor, bracketed paste, and a query for synchronised output."""
_END: Final = "\x1b[?2004l\x1b[?25h\x1b[?1049l"


_TAPS: Final = "\x1b[?1000h\x1b[?1006h"
_NO_TAPS: Final = "\x1b[?1006l\x1b[?1000l"
"""Switch reports of mouse buttons (not of movement) on and off; positions in decimal digits."""


class PageDriver(Driver):
    """Textual's driver for a page: draws on the web socket, and reads keys from it.

    Args:
        app: a `PageApp`.
        debug: as for any driver of Textual.
        mouse: whether taps are reported.
        size: columns and lines; None: 80 by 24.
    """

    def __init__(
        self,
        app: App[Any],
        *,
        debug: bool = False,
        mouse: bool = True,
        size: tuple[int, int] | None = None,
    ) -> None:
        super().__init__(app, debug=debug, mouse=mouse, size=size)
        self._page = cast("PageApp", app).page
        self._keys = KeyInput(burst=KEY_BURST, per_s=KEYS_PER_S, cells=(WIDTHS[1], HEIGHTS[1]))
        self._wanted: Size | None = None
        self._resizing = False

    @property
    def is_web(self) -> bool:
        """Whether the terminal is in a browser: True."""
        return True

    def write(self, data: str) -> None:
        """Queue output for the page."""
        self._page.write(data)

    def start_application_mode(self) -> None:
        """Set up the page's terminal, and start to read keys."""
        self.write(_BEGIN + (_TAPS if self._mouse else ""))
        self._page.driver = self
        self.resize(*(self._size or (80, 24)))

    def disable_input(self) -> None:
        """Stop reading keys."""
        self._page.driver = None

    def stop_application_mode(self) -> None:
        """Restore the page's terminal."""
        self.write((_NO_TAPS if self._mouse else "") + _END)

    def keys(self, data: str) -> None:
        """Process typed characters; a lone Esc is a key once `ESCAPE_DELAY` has passed after it."""
        for message in self._keys.feed(data):
            self.process_message(message)
        self._loop.call_later(1.5 * ESCAPE_DELAY, self._tick)

    def resize(self, width: int, height: int) -> None:
        """Change the size of the screen; of changes within `RESIZE_S` only the last counts."""
        self._wanted = Size(width, height)
        if not self._resizing:
            self._resize()

    def _resize(self) -> None:
        size, self._wanted = self._wanted, None
        self._resizing = size is not None
        if size is not None:
            self.process_message(Resize(size, size))
            self._loop.call_later(RESIZE_S, self._resize)

    def _tick(self) -> None:
        for message in self._keys.tick():
            self.process_message(message)


class PageChannel:
    """The channel between a screen and its web socket, in both directions.

    Args:
        send: sends bytes to the page; waits while the page accepts none.
    """

    def __init__(self, send: Callable[[bytes], Awaitable[None]]) -> None:
        self._send = send
        self._waiting: list[str] = []
        self._size = 0
        self._written = asyncio.Event()
        self.driver: PageDriver | None = None
        """The driver that receives the keys; None while the screen does not run."""

    def write(self, data: str) -> None:
        """Queue `data` for the page."""
        self._waiting.append(data)
        self._size += len(data)
        self._written.set()

    async def sending(self) -> None:
        """Send queued data as fast as the page accepts it; return when too much is queued."""
        while self._size <= MOST_WAITING_CHARS:
            await self._written.wait()
            await self.flush()

    async def flush(self) -> None:
        """Send the queued data."""
        self._written.clear()
        data, self._waiting = "".join(self._waiting), []
        await self._send(data.encode("utf-8", "replace"))
        self._size -= len(data)

    def receive(self, text: str) -> str | None:
        """Process one message from the page; return the answer, None if there is none."""
        try:
            kind, *rest = json.loads(text)
        except (ValueError, TypeError, RecursionError):
            return None
        match kind, rest:
            case "stdin", [str(keys)] if self.driver is not None:
                self.driver.keys(keys[:LONGEST_KEYS_CHARS])
            case "resize", [{"width": int(width), "height": int(height)}] if self.driver:
                self.driver.resize(*page_size(width, height))
            case "ping", [str(sent)]:
                return json.dumps(["pong", sent[:LONGEST_KEYS_CHARS]])
        return None


class PageApp(BenchwatchApp):
    """The screen on a page; the keys in its footer can also be tapped."""

    ALLOW_SELECT = False

    def __init__(self, page: PageChannel, log: TextIO, *args: Any, **options: Any) -> None:
        """Create the screen.

        Args:
            page: the channel to the page.
            log: file to which the report of a crash is written.
            args: arguments of `BenchwatchApp`.
            options: keyword arguments of `BenchwatchApp`.
        """
        super().__init__(*args, driver=PageDriver, **options)
        self.page = page
        # A page shows all colours, whatever the terminal of the server can show.
        self.console = Console(
            color_system="truecolor",
            file=self.console.file,
            markup=True,
            highlight=False,
            emoji=False,
            legacy_windows=False,
        )
        self.error_console = Console(file=log, markup=False, highlight=False)
        # Several screens share this process: none may redirect its standard output and error.
        self._capture_stdout, self._capture_stderr = sys.stdout, sys.stderr  # type: ignore[assignment] # private; the version is exact


def page_size(width: int, height: int) -> tuple[int, int]:
    """Return the size that a page asks for, limited to `WIDTHS` and `HEIGHTS`."""
    return (
        min(max(width, WIDTHS[0]), WIDTHS[1]),
        min(max(height, HEIGHTS[0]), HEIGHTS[1]),
    )
