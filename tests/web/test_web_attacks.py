"""The page under attack, by plain sockets: strangers get nothing, clients can't stall it."""

import re
import resource
import socket
import time

import psutil
import pytest
from load_kit import LONGEST_WAIT_S
from plain_page_kit import PlainPage, Served

pytest.importorskip("aiohttp", reason="the page is an extra")
pytest.importorskip("textual_serve", reason="the page is an extra")

SIZE_REPORT = "\x1b[48;99999;99999;1;1t"
"""An in-band report of the window's size, as defined by xterm."""


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    """Start one server for all these tests: none of them may break it for the next."""
    opened = Served(tmp_path_factory.mktemp("served"), "--no-journal")
    yield opened
    code = opened.close()
    narration = opened.narration
    assert code == 130
    assert "Traceback" not in narration


@pytest.fixture
def page(served):
    """Open a page of it."""
    opened = PlainPage(served)
    opened.until("q quit")
    yield opened
    opened.close()


def memory_of(served):
    """Return the resident memory of the server, in bytes."""
    return psutil.Process(served.child.pid).memory_info().rss


def test_another_account_of_this_computer_gets_nothing(served):
    """Also on loopback: without the secret there is no page, socket or file."""
    upgrade = ["Upgrade: websocket", "Connection: Upgrade", "Sec-WebSocket-Version: 13",
               "Sec-WebSocket-Key: MDEyMzQ1Njc4OWFiY2RlZg=="]  # fmt: skip
    answers = [
        served.get(path, headers=upgrade)
        for path in ("/", "/ws", "/page.js", "/static/js/textual.js", "//ws", "/%2e%2e/ws",
                     "/" + "A" * 22 + "/ws", served.path[:-2] + "/ws")
    ]  # fmt: skip

    assert re.fullmatch(r"/[\w-]{22}/", served.path)
    assert {answer.split()[1] for answer in answers} == {"404"}
    assert served.get(served.path).startswith("http/1.1 200")


@pytest.mark.parametrize(
    "host", ["[", "[::1", "]", '127.0.0.1:8010"><script>', "a b", "", "http://[", "\xff", "[x]:9",
             "rebound.example"]
)  # fmt: skip
def test_a_bad_host_is_refused(served, host):
    """RFC 9110, 7.2: a bad or foreign host is the client's error, and gives no traceback."""
    answer = served.get(served.path, host=host)

    assert answer.split()[1] in {"400", "403"}
    assert "Traceback" not in served.narration


def test_no_answer_leaks_the_secret_or_can_be_framed(served):
    """Referrer Policy, CSP 3 and Fetch: headers of pages, files and refusals."""
    for path in (served.path, f"{served.path}static/js/textual.js", "/", f"{served.path}none"):
        answer = served.get(path)

        assert "referrer-policy: no-referrer" in answer
        assert "x-content-type-options: nosniff" in answer
        assert "frame-ancestors 'none'" in answer
        assert "cache-control: no-store" in answer
        assert "server:" not in answer
        assert "connection: close" in answer


def test_files_beside_those_of_the_page_are_not_served(served):
    """Paths out of the folder, in any notation."""
    for path in ("../__init__.py", "..%2f__init__.py", "%2e%2e/__init__.py", "/etc/passwd", "js"):
        assert served.get(f"{served.path}static/{path}").split()[1] == "404"


def test_a_message_that_reports_a_size_takes_no_memory(served, page):
    """A page's size is set by its own message only, and is limited."""
    before = memory_of(served)
    for keys in (SIZE_REPORT, SIZE_REPORT[:9], SIZE_REPORT[9:], "\x1b[9999999u", "\x1b[97:65u"):
        page.send("stdin", keys)
    page.send("stdin", "5")
    page.until("notes, ")

    assert memory_of(served) - before < 50_000_000


def test_thousands_of_keys_in_one_message_stall_nothing(served, page):
    """More than a person types are dropped: the next answer comes at once, keys work after."""
    page.send("stdin", "12345mx\r" * 512)
    took_s = page.pong("there")
    other = PlainPage(served)
    took_s += other.until("q quit")
    other.close()

    assert took_s < 4


def test_many_sizes_at_once_are_drawn_once(page):
    """Of many sizes the last one counts."""
    for width in range(20, 500):
        page.send("resize", {"width": width, "height": 100})
    page.send("resize", {"width": 80, "height": 24})

    assert page.pong("there") < 4


def test_idle_connections_are_closed_and_the_page_still_opens(served):
    """Two hundred that send nothing, or half a header: few handles, and the page opens."""
    before = psutil.Process(served.child.pid).num_fds()
    idle = [served.connect() for _ in range(200)]
    for one in idle[::2]:
        one.sendall(b"GET / HTTP/1.1\r\nHost: ")
    answer = served.get(served.path)
    page = PlainPage(served)
    page.until("q quit")
    handles = psutil.Process(served.child.pid).num_fds() - before
    page.close()
    for one in idle:
        one.close()

    assert answer.startswith("http/1.1 200")
    assert handles < 60


def test_a_header_that_does_not_end_is_not_waited_for(served):
    """A byte now and then does not keep the connection open."""
    began_s = time.monotonic()
    with served.connect() as slow:
        slow.settimeout(0.5)
        slow.sendall(b"GET / HTTP/1.1\r\n")
        gone = False
        while not gone:
            assert time.monotonic() - began_s < LONGEST_WAIT_S
            try:
                slow.sendall(b"X")
                gone = not slow.recv(100)
            except TimeoutError:
                continue
            except ConnectionError:
                gone = True

    assert time.monotonic() - began_s > 2


def test_without_handles_a_sentence_is_written_and_readings_continue(tmp_path):
    """With hardly any handle left: one sentence on standard error."""
    few = "import resource; resource.setrlimit(resource.RLIMIT_NOFILE, (64, 64)); "
    served = Served(tmp_path, "--no-journal", before=few)
    try:
        page = PlainPage(served)
        page.until("q quit")
        held = []
        for _ in range(100):
            one = socket.socket()
            one.settimeout(LONGEST_WAIT_S)
            held.append(one)
            one.connect((served.host, served.port))
        handles = psutil.Process(served.child.pid).num_fds()
        page.send("stdin", "2")
        page.until("time axis")
        for one in held:
            one.close()
    finally:
        page.close()
        code = served.close()

    assert handles < 50
    assert code == 130
    assert len(served.narration) < 5000
    assert "Traceback" not in served.narration
    assert resource.getrlimit(resource.RLIMIT_NOFILE)[0] > 64
