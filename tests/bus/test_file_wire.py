"""Files, named pipes and standard input as counters: whole lines, nothing invented."""

import contextlib
import json
import os
import shlex
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import pytest
from acquisition_kit import EventRecorder
from link_kit import open_link
from load_kit import LONGEST_WAIT_S
from program_kit import COMMAND
from terminal_kit import Terminal

from benchwatch.acquire import Acquisition, CounterStatus
from benchwatch.bus.file_wire import file_of
from benchwatch.clock import SystemClock
from benchwatch.counter import Setup
from benchwatch.driver_registry import driver
from benchwatch.errors import ConnectionFailed, ReplyTimeout, UsageError

SOON_S = 0.1


def lines_of(path: Path, *steps: Callable[[], object]) -> list[str]:
    """Open `path`, then do each step and hear all that can be heard after it."""
    link, heard = open_link(str(path)), []
    try:
        for step in steps:
            step()
            try:
                while True:
                    heard.append(link.read(SOON_S))
            except ReplyTimeout:
                continue
    finally:
        link.close()
    return heard


def adding(path: Path, text: str) -> Callable[[], object]:
    """A step that adds `text` to the file."""

    def add() -> None:
        with path.open("a") as file:
            file.write(text)

    return add


@pytest.mark.parametrize(
    ("resource", "path"),
    [
        ("-", "-"),
        ("FILE::-", "-"),
        ("FILE::/data/x.txt", "/data/x.txt"),
        ("file::x.txt", "x.txt"),
        ("./x.txt", "x.txt"),
        ("/data/x.txt", "/data/x.txt"),
        ("~/x.txt", str(Path("~/x.txt").expanduser())),
        ("TCPIP0::127.0.0.1::5025::SOCKET", None),
        ("ASRL/dev/pts/0::INSTR", None),
        ("ASRL/dev/pts/0", None),
        ("GPIB0::3::INSTR", None),
        ("nothing-of-that-name", None),
    ],
)
def test_what_is_a_file_and_what_is_an_instrument(resource: str, path: str | None) -> None:
    """A resource string is never taken for a file, nor a path for a resource string."""
    assert file_of(resource) == path


def test_only_what_is_added_is_read(tmp_path: Path) -> None:
    """Old lines have no time any more."""
    path = tmp_path / "readings.txt"
    path.write_text("1\n2\n")

    assert lines_of(path, adding(path, "3\n4\n")) == ["3", "4"]


def test_a_half_written_line_waits_for_its_end(tmp_path: Path) -> None:
    """However long it takes, it is neither handed on in part nor lost."""
    path = tmp_path / "readings.txt"
    path.touch()

    heard = lines_of(path, adding(path, "10000"), adding(path, "000.02"), adding(path, "31\n"))

    assert heard == ["10000000.0231"]


def test_a_line_that_began_before_we_looked_is_skipped(tmp_path: Path) -> None:
    """Its tail would parse."""
    path = tmp_path / "readings.txt"
    path.write_text("100000")

    assert lines_of(path, adding(path, "00.0231\n"), adding(path, "2\n")) == ["2"]


def test_a_file_that_is_emptied_is_read_from_its_new_beginning(tmp_path: Path) -> None:
    """And the line that was half written is gone with the rest."""
    path = tmp_path / "readings.txt"
    path.write_text("1\n")

    heard = lines_of(path, adding(path, "2\n333"), lambda: path.write_text(""), adding(path, "4\n"))

    assert heard == ["2", "4"]


def test_a_file_that_is_replaced_is_followed(tmp_path: Path) -> None:
    """As a rotated log is: the rest of the old one, then the new one from its start."""
    path = tmp_path / "readings.txt"
    path.write_text("1\n")

    def rotate() -> None:
        adding(path, "2\n33")()
        path.rename(tmp_path / "readings.1")
        path.write_text("4\n")

    assert lines_of(path, rotate, adding(path, "5\n")) == ["2", "4", "5"]


def test_a_named_pipe_may_be_written_again_and_again(tmp_path: Path) -> None:
    """A writer that comes back is heard; a line that the last one did not finish is dropped."""
    path = tmp_path / "pipe"
    os.mkfifo(path)

    heard = lines_of(path, adding(path, "1\n22"), adding(path, "3\n"))

    assert heard == ["1", "3"]


def test_a_pipe_that_is_opened_again_in_the_middle_of_a_line_skips_its_rest(
    tmp_path: Path,
) -> None:
    """The beginning went with the connection; the rest would parse."""
    path = tmp_path / "pipe"
    os.mkfifo(path)
    first = open_link(str(path))
    with path.open("w") as writer:
        writer.write("10000")
        writer.flush()
        with pytest.raises(ReplyTimeout):
            first.read(SOON_S)
        second = open_link(str(path))
        first.close()
        third = open_link(str(path))
        writer.write("000.0231\n2\n")
        writer.flush()

        heard = third.read(2.0)

    second.close()
    third.close()
    assert heard == "2"


@pytest.mark.parametrize("kind", ["folder", "missing", "terminal"])
def test_what_can_not_be_read_line_by_line_is_told(tmp_path: Path, kind: str) -> None:
    """A sentence that says what to do."""
    ours, theirs = os.openpty()
    resource = {
        "folder": f"{tmp_path}/",
        "missing": str(tmp_path / "none"),
        "terminal": os.ttyname(theirs),
    }[kind]

    with pytest.raises((UsageError, ConnectionFailed), match=r"Give a file|Start the program"):
        open_link(resource)

    os.close(ours)
    os.close(theirs)


def test_nothing_can_be_sent_to_a_file(tmp_path: Path) -> None:
    """A driver that asks questions is told to give way."""
    path = tmp_path / "readings.txt"
    path.touch()
    link = open_link(str(path))

    with pytest.raises(UsageError, match="--driver lines"):
        link.write("*IDN?")

    link.close()


def test_a_growing_file_is_watched_as_a_counter(tmp_path: Path) -> None:
    """Through the real acquisition, stopped in the middle of waiting."""
    path = tmp_path / "readings.txt"
    path.touch()
    notebook, connected = EventRecorder(enough=3), threading.Event()

    def on_status(now: CounterStatus) -> None:
        notebook.on_status(now)
        if now.identity is not None:
            connected.set()

    acquisition = Acquisition(
        name="main",
        resource=str(path),
        driver=driver("lines"),
        setup=Setup(),
        nominal=None,
        on_event=notebook.take,
        on_status=on_status,
        open_link=open_link,
        clock=SystemClock(),
        origin_s=0.0,
    )
    notebook.stop = acquisition.stop

    acquisition.start()
    assert connected.wait(LONGEST_WAIT_S)
    for text in ("# began\n", "10000000.0231\n1000", "0000.0232\nrubbish\n", "10.0000000233 MHz\n"):
        adding(path, text)()
    acquisition.join(LONGEST_WAIT_S)

    assert [r.text for r in notebook.readings] == [
        "10000000.0231",
        "10000000.0232",
        "10000000.0233",
    ]
    assert notebook.readings[0].resolution_hz == 0


def fed(text: str) -> "subprocess.CompletedProcess[str]":
    """Give `text` to ``benchwatch watch -`` on standard input."""
    return subprocess.run(
        [*COMMAND, "watch", "-", "--json", "--no-journal"],
        input=text,
        capture_output=True,
        text=True,
        timeout=100,
    )


def test_any_program_can_feed_the_lines() -> None:
    """``program | benchwatch watch -``: every line a reading, and the end of input ends it."""
    done = fed("".join(f"{10_000_000 + n / 10_000:.4f}\n" for n in range(1, 21)))

    *readings, end = [json.loads(line) for line in done.stdout.splitlines()]
    assert done.returncode == 0, done.stderr
    assert [line["offset_hz"] for line in readings] == [n / 10_000 for n in range(1, 21)]
    assert end == {"kind": "end", "readings": 20, "gaps": 0, "reason": "standard input has ended"}


def test_equal_lines_are_readings_of_their_own() -> None:
    """A program may write twenty equal lines at once, as a block: none was said twice."""
    done = fed("10000000\n" * 20)

    *readings, end = [json.loads(line) for line in done.stdout.splitlines()]
    assert done.returncode == 0, done.stderr
    assert [line["flags"] for line in readings] == [[]] * 20
    assert readings[-1]["estimate"]["readings"] == 20
    assert end["readings"] == 20


def test_lines_of_a_block_have_the_time_at_which_they_are_read() -> None:
    """Nothing tells when they were measured, so no pace is made up for them."""
    began_s = time.time()

    done = fed("".join(f"{10_000_000 + n / 10_000:.4f}\n" for n in range(20)))

    ended_s = time.time()
    readings = [json.loads(line) for line in done.stdout.splitlines()][:-1]
    times_s = [datetime.fromisoformat(line["time"]).timestamp() for line in readings]
    assert times_s == sorted(times_s)
    assert began_s - 0.001 <= times_s[0]
    assert times_s[-1] <= ended_s
    assert {line["gate_s"] for line in readings} == {None}


@pytest.mark.parametrize("kind", ["file", "pipe"])
def test_what_a_talk_only_counter_left_in_a_file_counts_line_by_line(
    tmp_path: Path, kind: str
) -> None:
    """Its profile takes an equal line that comes at once for one said twice; a file says once."""
    path = tmp_path / "readings"
    path.touch() if kind == "file" else os.mkfifo(path)
    link = open_link(str(path))
    counter = driver("talk-only")(link)
    adding(path, "+1.00000002E+07\r\n" * 5)()

    taken = [counter.measure(1.0) for _ in range(4)]

    link.close()
    assert [m.repeat for m in taken] == [False] * 4


@pytest.mark.parametrize("text", ["", "rubbish\n" * 3, "10000000.0231"])
def test_input_without_a_whole_reading_is_no_success(text: str) -> None:
    """Nothing, rubbish, or a line whose end never came: exit code 4."""
    done = fed(text)

    assert done.returncode == 4, done.stderr
    assert "Not one reading came" in done.stderr
    assert json.loads(done.stdout.splitlines()[-1])["readings"] == 0


FEED = """
import time
for n in range(600):
    print(f"{1e7 + n / 1e4:.4f}", flush=True)
    time.sleep(0.05)
"""


def test_keys_come_from_the_terminal_when_readings_come_on_standard_input(tmp_path: Path) -> None:
    """``program | benchwatch watch -`` on a terminal: the screen shows, and q leaves it."""
    python = shlex.quote(sys.executable)
    command = (
        ": < $(tty); "  # opening it makes it the terminal of the session
        f"{python} -c {shlex.quote(FEED)} 2>/dev/null | {python} -m benchwatch.cli "
        "watch - --no-journal"
    )
    terminal = Terminal(["sh", "-c", command], tmp_path, width=100, height=30)
    with contextlib.closing(terminal):
        terminal.wait_for("from 1 reading")
        terminal.wait_for("ppb")  # a picture may be half drawn
        terminal.type(b"q")
        code = terminal.end()

    assert code == 0
