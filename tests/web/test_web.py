"""The screen on a page: access, messages, and one process that owns the counter."""

import asyncio
import json
import os
import re
import signal
import subprocess
import sys

import bench_kit
import psutil
import pytest
import screen_kit as kit
from hypothesis import given
from hypothesis import strategies as st
from load_kit import LONGEST_WAIT_S
from program_kit import COMMAND

from benchwatch.colours import DARK, LIGHT
from benchwatch.errors import UsageError

aiohttp = pytest.importorskip("aiohttp", reason="the page is an extra")
pytest.importorskip("textual_serve", reason="the page is an extra")

from page_kit import PageClient, opened, served, status_of  # noqa: E402 - only with the extra

from benchwatch.system.installation import extra_words  # noqa: E402 - likewise
from benchwatch.web.browser_page import MOST_WAITING_CHARS, PageChannel, page_size  # noqa: E402 - likewise
from benchwatch.web.page_server import MOST_PAGES, NO_MORE_PAGES  # noqa: E402 - likewise
from benchwatch.web.served_address import LOOPBACK, ServedAddress, parse_served_address  # noqa: E402 - only with the extra

pytestmark = pytest.mark.long

# ------------------------------------------------------------------ access


@pytest.mark.parametrize(
    "address",
    ["127.0.0.1", "127.0.0.5", "::1", "localhost", "0.0.0.0", "192.0.2.7", "::", "2001:db8::1"],
)
def test_every_address_has_a_secret(address):
    """22 characters of 128 random bits, new every time; also on loopback."""
    secrets = {parse_served_address(address, 8010).secret for _ in range(10)}

    assert len(secrets) == 10
    assert all(re.fullmatch(r"[\w-]{22}", secret) for secret in secrets)


def test_a_bad_address_is_a_sentence():
    """A name or a typing error is quoted without control characters."""
    with pytest.raises(UsageError, match=r"'bench\?' is no address"):
        parse_served_address("bench\x1b", 8010)


@pytest.mark.parametrize(
    ("address", "host", "origin", "allows"),
    [
        ("127.0.0.1", "127.0.0.1:8010", None, True),
        ("127.0.0.1", "localhost:8010", "http://localhost:8010", True),
        ("127.0.0.1", "[::1]:8010", "http://[::1]:8010", True),
        ("127.0.0.1", "127.0.0.1:8010", "http://station.example", False),
        ("127.0.0.1", "127.0.0.1:8010", "null", False),
        ("127.0.0.1", "127.0.0.1:8010", "http://[", False),
        ("127.0.0.1", "rebound.example:8010", "http://rebound.example:8010", False),
        ("127.0.0.1", "", None, False),
        ("127.0.0.1", "[::1", None, False),
        ("127.0.0.1", '127.0.0.1:8010"><script>', None, False),
        ("0.0.0.0", "192.0.2.7:8010", "http://192.0.2.7:8010", True),
        ("0.0.0.0", "bench.local:8010", None, True),
        ("0.0.0.0", "192.0.2.7:8010", "http://station.example", False),
        ("0.0.0.0", "[", None, False),
    ],
)
def test_pages_of_other_sites_get_nothing(address, host, origin, allows):
    """Another site's page sends its own origin (RFC 6454), or its own name as host."""
    assert ServedAddress(address, 8010).allows(host, origin) is allows


@pytest.mark.parametrize(
    ("address", "url"),
    [("127.0.0.1", "http://127.0.0.1:99/"), ("::1", "http://[::1]:99/")],
)
def test_the_url_of_the_page(address, url):
    """An IPv6 address is in brackets (RFC 3986, 3.2.2); then comes the secret."""
    place = parse_served_address(address, 0)

    assert place.url(99) == f"{url}{place.secret}/"


def test_the_url_for_all_addresses_has_one_of_them():
    """0.0.0.0 can't be opened: an address of this computer is shown in its place."""
    assert re.fullmatch(r"http://[\d.]+:99/[\w-]{22}/", parse_served_address("0.0.0.0", 0).url(99))
    assert "0.0.0.0" not in parse_served_address("0.0.0.0", 0).url(99)


async def test_requests_of_other_origins_are_refused():
    """A foreign name or a foreign origin: 403, on the page and on the socket."""
    async with served() as (url, client):
        codes = [
            await status_of(client, url, headers=headers)
            for headers in ({}, {"Host": "rebound.example"}, {"Origin": "http://other.example"})
        ]
        with pytest.raises(aiohttp.WSServerHandshakeError, match="403"):
            await client.ws_connect(f"{url}ws", headers={"Origin": "http://other.example"})

    assert codes == [200, 403, 403]


async def test_without_the_secret_there_is_nothing():
    """Page, socket and files: 404; with it, all of them."""
    async with served(ServedAddress(LOOPBACK, 0, "the-secret")) as (url, client):
        bare = url.replace("the-secret/", "")
        asked = [bare, f"{bare}ws", f"{bare}static/js/textual.js", f"{bare}the-secreT/"]
        missing = [await status_of(client, one) for one in asked]
        there = [await status_of(client, one) for one in (url, f"{url}static/css/xterm.css")]
        async with opened(client, url) as page:
            shown = await page.until("Trim")

    assert missing == [404] * 4
    assert there == [200, 200]
    assert shown


async def test_the_page_needs_nothing_from_elsewhere():
    """It names no other server, its policy forbids any, and all files that it names are served."""
    async with served() as (url, client):
        async with client.get(url) as answer:
            text = await answer.text()
        named = re.findall(r'(?:src|href)="([^"]+)"|url\("([^"]+)"\)', text)
        files = [one or other for one, other in named if not (one or other).startswith("data:")]
        codes = {name: await status_of(client, url + name) for name in files}

    assert set(re.findall(r"\w+://[^/\"]+/", text)) == {f"ws://{re.split('/+', url)[1]}/"}
    assert "default-src 'none'" in answer.headers["Content-Security-Policy"]
    assert len(codes) == 4
    assert set(codes.values()) == {200}


# ------------------------------------------------------------------ messages


async def test_a_page_is_the_screen_and_takes_keys():
    """It draws the rows of the terminal's screen; a key shows another view."""
    made = []
    async with served(made=made) as (url, client), opened(client, url) as page:
        assert await page.until("3 Stability")
        assert await page.until("q quit")
        rows = [row.plain.rstrip() for row in made[0].view_widget.lines]
        drawn = page.screen.splitlines()
        await page.type("5")

        assert drawn == rows
        assert await page.until("notes, ")


async def test_esc_alone_is_a_key():
    """The help opens and Esc closes it, though many keys' sequences begin with that byte."""
    async with served() as (url, client), opened(client, url) as page:
        assert await page.until("q quit")
        await page.type("h")
        assert await page.until("Esc closes")
        page.seen = ""
        await page.type("\x1b")

        assert await page.until("q quit")


async def test_q_leaves_the_page_and_not_the_watch():
    """The session ends normally; the next page shows the same watch."""
    async with served() as (url, client):
        async with opened(client, url) as page:
            assert await page.until("q quit")
            await page.type("q")
            await page.end()
        async with opened(client, url) as again:
            assert await again.until("q quit")

    assert page.seen.rstrip().endswith("\x1b[?1049l")


async def test_a_page_follows_its_size():
    """Wider and higher: the picture fills it; an absurd size is limited."""
    made = []
    async with served(made=made) as (url, client), opened(client, url) as page:
        assert await page.until("q quit")
        page.width, page.height = 120, 36
        await page.socket.send_str(json.dumps(["resize", {"width": 120, "height": 36}]))
        assert await page.until("2 Warm-up")
        async with asyncio.timeout(LONGEST_WAIT_S):
            while made[0].view_widget.size != (120, 36):
                await page.socket.receive()

    assert page_size(10**9, -5) == (500, 6)


async def test_pages_are_independent():
    """Two pages show two views of one counter."""
    async with (
        served() as (url, client),
        opened(client, url) as one,
        opened(client, url) as other,
    ):
        assert await one.until("q quit")
        await other.type("5")
        assert await other.until("notes, ")
        await one.type("2")
        assert await one.until("time axis")

    assert "notes, " not in one.screen


TAP = "\x1b[<0;{column};{row}M\x1b[<0;{column};{row}m"
"""Report of a finger put down and lifted; columns and rows count from 1."""


async def test_each_page_has_its_own_view_and_counter():
    """A tap on a row of the bench opens that counter on this page; the other stays."""
    counters = [bench_kit.counter(name) for name in ("ten", "five")]
    made = []
    async with (
        served(watch=kit.FakeWatch(*counters), made=made) as (url, client),
        opened(client, url) as one,
        opened(client, url) as other,
    ):
        for page in (one, other):
            assert await page.until("0 Bench")
            await page.type("0")
            assert await page.until("Enter open")
        row = next(y for y, text in enumerate(one.screen.splitlines(), 1) if " 2 five " in text)
        await one.type(TAP.format(column=30, row=row))
        assert await one.until("1-6 view")
        views = [(app.screen_state.view.name, app.screen_state.frame().snapshot.counter)
                 for app in made]  # fmt: skip

    assert views == [("trim", "five"), ("bench", "ten")]


async def test_one_page_too_many_is_refused_in_a_sentence():
    """As each needs processor time; after one is closed another can be opened."""
    async with served() as (url, client):
        sockets = [await client.ws_connect(f"{url}ws") for _ in range(MOST_PAGES)]
        for socket in sockets:
            await PageClient(socket).until("q quit")
        async with opened(client, url) as refused:
            await refused.end()
        await sockets[0].close()
        async with asyncio.timeout(LONGEST_WAIT_S):
            while True:
                async with opened(client, url) as again:
                    if await again.until("q quit"):
                        break

    assert refused.seen == NO_MORE_PAGES


@pytest.mark.parametrize(("theme", "palette"), [("dark", DARK), ("light", LIGHT)])
async def test_the_page_has_the_colours_of_the_theme(theme, palette):
    """The page around the screen, the screen on it, and the sentence of a page too many."""
    other = LIGHT if palette is DARK else DARK
    async with served(theme=theme) as (url, client):
        async with client.get(url) as answer:
            page = await answer.text()
        sockets = [await client.ws_connect(f"{url}ws") for _ in range(MOST_PAGES)]
        first = PageClient(sockets[0])
        for socket in sockets[1:]:
            await PageClient(socket).until("q quit")
        await first.until("q quit")
        async with opened(client, url) as refused:
            await refused.end()

    assert palette.background in page
    assert other.background not in page
    assert f"48;2;{_parts(palette.background)}m" in first.seen
    assert f"48;2;{_parts(other.background)}" not in first.seen
    assert (f"\x1b[38;2;{_parts(palette.text.colour)}m" in refused.seen) is (palette is LIGHT)
    assert NO_MORE_PAGES in refused.seen


def _parts(colour: str) -> str:
    """Return red, green and blue as the sequences of ISO 8613-6 state them."""
    return ";".join(map(str, bytes.fromhex(colour.removeprefix("#"))))


async def test_a_closed_page_leaves_nothing_running():
    """Closed without a handshake: its screen ends."""
    made = []
    async with served(made=made) as (url, client):
        socket = await client.ws_connect(f"{url}ws")
        assert await PageClient(socket).until("q quit")
        await socket.close()
        async with asyncio.timeout(LONGEST_WAIT_S):
            while made[0].is_running:
                await status_of(client, url)

    assert not made[0].crash


async def test_the_end_of_the_server_ends_its_pages():
    """The page's terminal is restored and the socket closed."""
    async with aiohttp.ClientSession() as client:
        async with served() as (url, _):
            socket = await client.ws_connect(f"{url}ws")
            page = PageClient(socket)
            assert await page.until("q quit")
        await page.end()

    assert socket.closed


async def test_a_crash_of_one_page_is_reported_in_a_line():
    """The others and the server continue."""

    class Broken(kit.FakeWatch):
        def trace(self, name, span_s, points):
            raise ZeroDivisionError("no such past\x1b[2J")

    crashes = []
    async with served(watch=Broken(kit.full_snapshot()), crashes=crashes) as (url, client):
        async with opened(client, url) as page:
            await page.end()
        status = await status_of(client, url)

    assert len(crashes) == 1
    assert crashes[0].startswith("ZeroDivisionError: no such past")
    assert crashes[0].isprintable()
    assert status == 200


async def test_a_page_that_is_too_slow_is_closed():
    """Unsent bytes are bounded; beyond that sending ends, and the session with it."""

    async def stuck(_data):
        await asyncio.sleep(0)

    page = PageChannel(stuck)
    page.write("x" * (MOST_WAITING_CHARS + 1))

    await asyncio.wait_for(page.sending(), LONGEST_WAIT_S)


_json = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
    max_leaves=8,
)


@given(
    st.text()
    | _json.map(json.dumps)
    | st.tuples(st.sampled_from(["stdin", "resize", "ping", "blur"]), _json).map(json.dumps)
)
def test_no_message_of_a_page_breaks_anything(text):
    """For any text: no exception, and an answer only to a ping."""

    async def receive():
        class Driver:
            def keys(self, data):
                assert isinstance(data, str)

            def resize(self, width, height):
                assert (width, height) == page_size(width, height)

        page = PageChannel(None)
        page.driver = Driver()
        return page.receive(text)

    answer = asyncio.run(receive())

    assert answer is None or json.loads(answer)[0] == "pong"


# ------------------------------------------------------------------ the command


@pytest.fixture
def command(tmp_path):
    """Start a `watch --web` of a simulated bench on a free port; yield it and its URL."""
    environment = {**os.environ, "XDG_STATE_HOME": str(tmp_path), "XDG_DATA_HOME": str(tmp_path)}
    child = subprocess.Popen(
        [*COMMAND, "watch", "--sim", "quiet", "--web", "--web-port", "0"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=environment,
        text=True,
    )
    yield child, child.stdout.readline().strip()
    if child.poll() is None:
        child.kill()
    child.communicate()


def connections_to_the_counter(process, url):
    """Count the established ends of the link to the simulated counter."""
    page_port = int(re.search(r":(\d+)/", url)[1])
    return [
        one
        for one in process.net_connections("tcp")
        if one.status == psutil.CONN_ESTABLISHED
        and page_port not in {one.laddr.port, one.raddr.port}
    ]


async def test_the_command_owns_the_counter_alone(command):
    """Three pages: one process and one link; readings continue; Ctrl-C ends it with 130."""
    child, url = command
    process = psutil.Process(child.pid)
    async with (
        aiohttp.ClientSession() as client,
        opened(client, url) as one,
        opened(client, url) as two,
        opened(client, url) as three,
    ):
        pages = (one, two, three)
        shown = [await page.until(" old") for page in pages]
        links = connections_to_the_counter(process, url)
        children = process.children()
        child.send_signal(signal.SIGINT)
        for page in pages:
            await page.end()
    _, narration = await asyncio.to_thread(child.communicate)

    assert shown == [True] * 3
    assert len(links) == 2  # the counter is simulated in the same process: both ends of one link
    assert children == []
    assert child.returncode == 130
    assert "Traceback" not in narration


def test_a_taken_port_is_a_sentence(command, capsys):
    """Two servers on one port: the second names the option to use."""
    from benchwatch.cli import run

    _, url = command
    port = re.search(r":(\d+)/", url)[1]
    code = run(["watch", "--sim", "quiet", "--no-journal", "--web", "--web-port", port])

    assert code == 2
    assert "--web-port" in capsys.readouterr().err


@pytest.mark.parametrize("other", ["--plain", "--json", "--sound"])
def test_the_page_excludes_lines_and_sound(other, capsys):
    """Only one front end at a time."""
    from benchwatch.cli import run

    assert run(["watch", "--sim", "quiet", "--no-journal", "--web", other]) == 2
    assert "exclude each other" in capsys.readouterr().err


def test_without_the_libraries_a_sentence_names_what_to_install(monkeypatch, capsys):
    """They are an optional extra."""
    from benchwatch.cli import run

    monkeypatch.setitem(sys.modules, "textual_serve", None)
    monkeypatch.delitem(sys.modules, "benchwatch.web.page_server", raising=False)
    code = run(["watch", "--sim", "quiet", "--no-journal", "--web", "--web-port", "0"])

    assert code == 2
    assert extra_words("web") in capsys.readouterr().err


async def test_a_picture_saved_from_a_page_is_on_the_bench(tmp_path, monkeypatch):
    """The page says that the file is on the bench's computer, and takes no folder from a page."""
    monkeypatch.chdir(tmp_path)
    async with served() as (url, client), opened(client, url, "width=120&height=36") as page:
        page.width, page.height = 120, 36
        await page.until("Trim")
        await page.type(":")
        await page.type("save ../mine.svg\r")
        refused = await page.until("from a page a picture goes into")
        await page.type(":")
        await page.type("save mine.svg\r")
        saved = await page.until("saved on the bench's computer")

    assert refused
    assert saved
    assert [path.name for path in tmp_path.iterdir()] == ["mine.svg"]
