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
    """Open `path`; after each step return all lines that can be read."""
    link, received = open_link(str(path)), []
    try:
        for step in steps:
            step()
            try:
                while True:
                    received.append(link.read(SOON_S))
            except ReplyTimeout:
                continue
    finally:
        link.close()
    return received


def adding(path: Path, text: str) -> Callable[[], object]:
    """Return a step that appends `text` to the file."""

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
def test_files_are_distinguished_from_resource_strings(resource: str, path: str | None) -> None:
    """A resource string is never taken for a file, nor a path for a resource string."""
    assert file_of(resource) == path


def test_only_new_lines_are_read(tmp_path: Path) -> None:
    """Lines from before have no known time."""
    path = tmp_path / "readings.txt"
    path.write_text("1\n2\n")

    assert lines_of(path, adding(path, "3\n4\n")) == ["3", "4"]


def test_a_half_written_line_waits_for_its_end(tmp_path: Path) -> None:
    """For any time; it is neither returned in part nor lost."""
    path = tmp_path / "readings.txt"
    path.touch()

    received = lines_of(path, adding(path, "10000"), adding(path, "000.02"), adding(path, "31\n"))

    assert received == ["10000000.0231"]


def test_a_line_that_began_before_the_opening_is_skipped(tmp_path: Path) -> None:
    """Its tail would parse as a number."""
    path = tmp_path / "readings.txt"
    path.write_text("100000")

    assert lines_of(path, adding(path, "00.0231\n"), adding(path, "2\n")) == ["2"]


def test_a_file_that_is_emptied_is_read_from_its_new_beginning(tmp_path: Path) -> None:
    """The half-written line is dropped with the rest."""
    path = tmp_path / "readings.txt"
    path.write_text("1\n")

    received = lines_of(
        path, adding(path, "2\n333"), lambda: path.write_text(""), adding(path, "4\n")
    )

    assert received == ["2", "4"]


def test_a_file_that_is_replaced_is_followed(tmp_path: Path) -> None:
    """As for a rotated log: the rest of the old file, then the new one from its start."""
    path = tmp_path / "readings.txt"
    path.write_text("1\n")

    def rotate() -> None:
        adding(path, "2\n33")()
        path.rename(tmp_path / "readings.1")
        path.write_text("4\n")

    assert lines_of(path, rotate, adding(path, "5\n")) == ["2", "4", "5"]


def test_a_named_pipe_may_be_written_again_and_again(tmp_path: Path) -> None:
    """A new writer is read; an unfinished line of the last one is dropped."""
    path = tmp_path / "pipe"
    os.mkfifo(path)

    received = lines_of(path, adding(path, "1\n22"), adding(path, "3\n"))

    assert received == ["1", "3"]


def test_a_pipe_that_is_opened_again_in_the_middle_of_a_line_skips_its_rest(
    tmp_path: Path,
) -> None:
    """The beginning was lost with the connection, and the rest would parse as a number."""
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

        received = third.read(LONGEST_WAIT_S)

    second.close()
    third.close()
    assert received == "2"


@pytest.mark.parametrize("kind", ["folder", "missing", "terminal"])
def test_what_has_no_lines_is_refused_with_a_remedy(tmp_path: Path, kind: str) -> None:
    """Folders, terminals and devices."""
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
    """A driver that sends queries is refused."""
    path = tmp_path / "readings.txt"
    path.touch()
    link = open_link(str(path))

    with pytest.raises(UsageError, match="--driver lines"):
        link.write("*IDN?")

    link.close()


def test_a_growing_file_is_watched_as_a_counter(tmp_path: Path) -> None:
    """By the real acquisition, stopped during a wait."""
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
    """Run ``benchwatch watch -`` with `text` on standard input."""
    return subprocess.run(
        [*COMMAND, "watch", "-", "--json", "--no-journal"],
        input=text,
        capture_output=True,
        text=True,
        timeout=100,
    )


def test_any_program_can_feed_the_lines() -> None:
    """``program | benchwatch watch -``: each line is a reading; the end of input ends the run."""
    done = fed("".join(f"{10_000_000 + n / 10_000:.4f}\n" for n in range(1, 21)))

    *readings, end = [json.loads(line) for line in done.stdout.splitlines()]
    assert done.returncode == 0, done.stderr
    assert [line["offset_hz"] for line in readings] == [n / 10_000 for n in range(1, 21)]
    assert end == {"kind": "end", "readings": 20, "gaps": 0, "reason": "standard input has ended"}


def test_equal_lines_are_readings_of_their_own() -> None:
    """Twenty equal lines in one block are twenty readings."""
    done = fed("10000000\n" * 20)

    *readings, end = [json.loads(line) for line in done.stdout.splitlines()]
    assert done.returncode == 0, done.stderr
    assert [line["flags"] for line in readings] == [[]] * 20
    assert readings[-1]["estimate"]["readings"] == 20
    assert end["readings"] == 20


def test_lines_of_a_block_have_the_time_at_which_they_are_read() -> None:
    """Their time of measurement is unknown, and no pace is assumed."""
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
def test_equal_lines_of_a_talk_only_counter_in_a_file_all_count(tmp_path: Path, kind: str) -> None:
    """Its profile drops an equal line at once as a copy on a bus; a file has no copies."""
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
    """Nothing, garbage, or a line without an end: exit code 4."""
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
    """``program | benchwatch watch -`` on a terminal: the screen shows readings, and q ends it."""
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
