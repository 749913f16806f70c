"""The page in a real browser: it draws, takes keys, contacts no other server, shows its end."""

from zlib import decompress

import numpy as np
import pytest
from browser_kit import CHROMIUM, browser
from terminal_kit import rows_of

aiohttp = pytest.importorskip("aiohttp", reason="the page is an extra")
pytest.importorskip("textual_serve", reason="the page is an extra")

from page_kit import served  # noqa: E402 - only with the extra

pytestmark = [
    pytest.mark.skipif(CHROMIUM is None, reason="needs a chromium on the path"),
    pytest.mark.timeout(240),
]


def screen(tab, width=400, height=100):
    """Return the text on the page's terminal."""
    return "\n".join(rows_of(tab.drawn, width, height))


def pixels(png):
    """Decode a PNG of 8 bits a channel, not interlaced (ISO/IEC 15948): rows, columns, 3."""
    width, height = (int.from_bytes(png[at : at + 4], "big") for at in (16, 20))
    depth, kind, interlaced = png[24], png[25], png[28]
    assert (depth, interlaced) == (8, 0)
    channels = {2: 3, 6: 4}[kind]
    data, at = b"", 8
    while at < len(png):
        length = int.from_bytes(png[at : at + 4], "big")
        if png[at + 4 : at + 8] == b"IDAT":
            data += png[at + 8 : at + 8 + length]
        at += length + 12
    rows = np.frombuffer(decompress(data), np.uint8).reshape(height, 1 + width * channels)
    picture = np.zeros((height, width, channels), np.int64)
    above = np.zeros((width, channels), np.int64)
    for y, row in enumerate(rows):
        line = row[1:].reshape(width, channels).astype(np.int64)
        picture[y] = above = _unfilter(int(row[0]), line, above)
    return picture[:, :, :3]


def _unfilter(kind, line, above):
    """Undo one of the five filters of a row (ISO/IEC 15948, 9.2)."""
    if kind == 0:
        return line
    if kind == 1:
        return np.cumsum(line, axis=0) % 256
    if kind == 2:
        return (line + above) % 256
    # Each pixel needs the one before it; plain numbers are quicker here than tiny arrays.
    channels = line.shape[1]
    done, ups = [0] * channels, [0] * channels + above.ravel().tolist()
    for x, value in enumerate(line.ravel().tolist()):
        left, up, corner = done[x], ups[x + channels], ups[x]
        if kind == 3:
            guess = (left + up) // 2
        else:
            by_left, by_up = abs(up - corner), abs(left - corner)
            by_corner = abs(left + up - 2 * corner)
            guess = left if by_left <= by_up and by_left <= by_corner else up
            guess = corner if by_corner < by_left and by_corner < by_up else guess
        done.append((value + guess) % 256)
    return np.array(done[channels:], np.int64).reshape(line.shape)


async def test_the_page_draws_takes_keys_and_contacts_one_server(tmp_path):
    """Rows are painted in the program's colours, a key changes the view, all from one server."""
    made = []
    async with served(made=made) as (url, client), browser(client, tmp_path / "home") as tab:
        await tab.call("Page.navigate", url=url)
        await tab.until(lambda tab: "q quit" in screen(tab))
        size = made[0].view_widget.size
        font = await tab.value(
            "document.fonts.ready.then(() => document.fonts.check('16px \"Roboto Mono\"'))"
        )
        loaded = await tab.value("document.body.className")
        await tab.press("5")
        await tab.until(lambda tab: "notes, " in screen(tab))
        picture = pixels(await tab.picture())
        reached = {one["request"]["url"] for one in tab.of("Network.requestWillBeSent")}
        sockets = {one["url"].split("?")[0] for one in tab.of("Network.webSocketCreated")}
        failed = tab.of("Network.loadingFailed")
        view = made[0].screen_state.view.name

    colours, counts = np.unique(picture.reshape(-1, 3), axis=0, return_counts=True)
    assert view == "notes"
    assert (size.width > 100, size.height > 30) == (True, True)
    assert "-first-byte" in loaded
    assert font
    assert tuple(colours[counts.argmax()]) == (0x0B, 0x10, 0x16)
    assert (np.abs(picture - 0xFF).sum(axis=2) < 30).sum() > 100  # strong text is white
    assert all(one.startswith(url) for one in reached if "data:" not in one)
    assert sockets == {url.replace("http", "ws") + "ws"}
    assert failed == []


async def test_the_page_shows_that_its_session_ended(tmp_path):
    """After q the page offers to open it again, which works."""
    async with served() as (url, client), browser(client, tmp_path / "home") as tab:
        await tab.call("Page.navigate", url=url)
        await tab.until(lambda tab: "q quit" in screen(tab))
        before = await tab.value("getComputedStyle(document.querySelector('.over')).display")
        await tab.press("q")
        await tab.until(lambda tab: tab.of("Network.webSocketClosed"))
        after = await tab.value("getComputedStyle(document.querySelector('.over')).display")
        said = await tab.value("document.querySelector('.over').innerText")
        await tab.value("document.querySelector('.over a').click()")
        await tab.until(lambda tab: len(tab.of("Network.webSocketCreated")) == 2)
        tab.events.clear()
        await tab.until(lambda tab: "q quit" in screen(tab))

    assert (before, after) == ("none", "block")
    assert "no longer shows the bench" in said


async def tap(tab, app, word):
    """Tap with a finger on a word of the page."""
    rows = [row.plain for row in app.view_widget.lines]
    y = next(y for y, row in enumerate(rows) if word in row)
    place = await tab.value(
        "(() => { const s = document.querySelector('.xterm-screen').getBoundingClientRect();"
        " return [s.left, s.top, s.width, s.height]; })()"
    )
    left, top, width, height = place
    point = {
        "x": left + (rows[y].index(word) + 0.5) * width / app.size.width,
        "y": top + (y + 0.5) * height / app.size.height,
    }
    await tab.call("Input.dispatchTouchEvent", type="touchStart", touchPoints=[point])
    await tab.call("Input.dispatchTouchEvent", type="touchEnd", touchPoints=[])


async def test_the_footer_and_the_tabs_can_be_tapped_with_a_finger(tmp_path):
    """For a tablet without keyboard: a tab shows its view, a word of the footer acts as its key."""
    made = []
    async with served(made=made) as (url, client), browser(client, tmp_path / "home") as tab:
        await tab.call("Emulation.setTouchEmulationEnabled", enabled=True)
        await tab.call("Page.navigate", url=url)
        await tab.until(lambda tab: "q quit" in screen(tab))
        await tap(tab, made[0], "5 Notes")
        await tab.until(lambda tab: "notes, " in screen(tab))
        await tap(tab, made[0], "h help")
        await tab.until(lambda tab: "Esc closes" in screen(tab))

    assert made[0].screen_state.view.name == "notes"
