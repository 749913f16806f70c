"""The line of progress on a terminal, and none where there is no terminal."""

import io
import subprocess
import sys
from dataclasses import dataclass, field

import pytest
from load_kit import LONGEST_WAIT_S
from pipeline_kit import StillClock
from program_kit import COMMAND, PROGRAM
from terminal_kit import Terminal, rows_of

from benchwatch.commands.common.progress import EventsOfFile, ProgressLine
from benchwatch.recording import ReadPosition

ROWS = 4000
SHOWS_SOON = (
    "from benchwatch.commands.common import progress\n"
    "progress.SHOWN_AFTER_S = progress.REDRAWN_EVERY_S = 0.05\n"
)
"""Code before the program: quick work shows progress too, so that the test need not be long."""


class TerminalText(io.StringIO):
    """Text that was written to a terminal without a size of its own."""

    def isatty(self) -> bool:
        """Say that it is a terminal."""
        return True


class SetClock(StillClock):
    """A clock that the test sets; the thread that redraws waits until the task has ended."""

    def __init__(self) -> None:
        super().__init__()
        self.now_s = 0.0

    def wait(self, event, timeout_s):
        """Wait for the event, whatever the time."""
        return event.wait(LONGEST_WAIT_S)


@dataclass
class Work:
    """A line of progress with a clock and a fraction that the test sets."""

    stream: io.StringIO = field(default_factory=TerminalText)
    clock: SetClock = field(default_factory=SetClock)
    done: float | None = None

    def __post_init__(self):
        self.line = ProgressLine(lambda: self.stream, self.clock)

    def at(self, now_s: float, done: float | None) -> list[str]:
        """Draw at a time; return the rows of the terminal."""
        self.clock.now_s, self.done = now_s, done
        self.line.draw()
        return self.rows()

    def rows(self) -> list[str]:
        """Return what the terminal shows, without empty rows."""
        return [row for row in rows_of(self.stream.getvalue(), 80, 5) if row]

    def task(self, words="reading station.csv"):
        """Begin a task."""
        return self.line.task(words, lambda: self.done)


@pytest.fixture(autouse=True)
def usual_terminal(monkeypatch):
    """The terminal redraws lines and is 80 columns wide, whatever runs the tests."""
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLUMNS", "80")


@pytest.fixture
def table(tmp_path):
    """A table of a made station's oscillator."""
    path = tmp_path / "station.csv"
    rows = "".join(f"{i},{10_000_000 + i % 7 * 1e-4:.4f}\n" for i in range(ROWS))
    path.write_text(f"time_s,frequency_hz\n{rows}")
    return path


def test_short_work_shows_nothing():
    """For two seconds nothing is drawn, so that quick commands do not flicker."""
    work = Work()

    with work.task():
        assert work.at(1.9, 0.9) == []
    assert work.stream.getvalue() == ""


def test_time_to_go_is_in_proportion():
    """A quarter in 3 s leaves three times as long: 9 s. Rule of three, no source."""
    work = Work()

    with work.task():
        assert work.at(3.0, 0.25) == ["benchwatch: reading station.csv: 25 %, 9 s to go"]


def test_unknown_length_says_how_long_it_takes_already():
    """A pipe has no length, so that no time to go can be known."""
    work = Work()

    with work.task("reading standard input"):
        assert work.at(75.0, None) == ["benchwatch: reading standard input, for 1 min 15 s now"]


def test_events_are_counted_although_the_file_is_read_ahead():
    """Blocks of 100 bytes and 10 events each, of 1000 bytes: 25 events are a quarter.

    The position in the file says 30 %, as the third block is read already. Rule of three.
    """
    position = ReadPosition(total=1000)
    taken = EventsOfFile(position)
    known = []
    for event in range(26):
        position.done = 100 * (event // 10 + 1)
        known.append(taken.fraction())
        taken.take()

    assert known[:11] == [None] * 11
    assert known[25] == pytest.approx(0.25)
    assert known[11:] == sorted(known[11:])


def test_line_is_erased_at_the_end():
    """The terminal is blank after the work, and the cursor at the start of the line."""
    work = Work()
    with work.task():
        work.at(5.0, 0.5)
    work.stream.write("next")

    assert work.rows() == ["next"]


def test_line_is_erased_after_an_error():
    """The sentence of an error finds an empty line."""
    work = Work()
    with pytest.raises(ValueError, match="broken"), work.task():  # noqa: PT012 - the work fails
        work.at(5.0, 0.5)
        raise ValueError("broken")

    assert work.rows() == []


def test_narration_stands_on_lines_of_its_own():
    """The line goes away for a sentence, and comes again below it."""
    work = Work()
    with work.task():
        work.at(5.0, 0.5)
        with work.line.set_aside():
            work.stream.write("a sentence\n")

        assert work.at(6.0, 0.75) == [
            "a sentence",
            "benchwatch: reading station.csv: 75 %, 2 s to go",
        ]


def test_shorter_line_leaves_nothing_of_the_longer_one():
    """100 % after 10 min: fewer characters, none of the old ones remain."""
    work = Work()
    with work.task():
        work.at(600.0, 0.111)

        assert work.at(601.0, 1.0) == ["benchwatch: reading station.csv: 100 %, 1 s to go"]


def test_second_task_of_a_long_command_is_shown_at_once():
    """The two seconds count from the first task on: the command already takes long."""
    work = Work()
    with work.task():
        work.clock.now_s = 4.0
    with work.task("computing deviations"):
        assert work.at(4.5, 0.5) == ["benchwatch: computing deviations: 50 %, 1 s to go"]


def test_line_fits_the_terminal_and_is_plain(monkeypatch):
    """A long name is cut, as a line that wraps can't be erased; escapes are never sent."""
    monkeypatch.setenv("COLUMNS", "40")
    work = Work()
    with work.task("reading \x1b[31m" + "long" * 50):
        work.at(5.0, 0.5)

    drawn = work.stream.getvalue()
    assert "\x1b" not in drawn
    assert max(map(len, drawn.split("\r"))) == 39


@pytest.mark.parametrize(("stream", "term"), [(io.StringIO(), "xterm"), (TerminalText(), "dumb")])
def test_nothing_is_drawn_elsewhere(stream, term, monkeypatch):
    """A file, a pipe, and a terminal that can't redraw a line get nothing."""
    monkeypatch.setenv("TERM", term)
    work = Work(stream=stream)
    with work.task():
        work.at(5.0, 0.5)

    assert stream.getvalue() == ""


def test_replay_shows_progress_between_its_sentences(table, tmp_path):
    """On a real terminal: how far it is while it works; at the end only the sentences are left."""
    lines = tmp_path / "lines"
    writes_there = f"import os\nos.dup2(os.open({str(lines)!r}, os.O_CREAT | os.O_WRONLY), 1)\n"
    code = SHOWS_SOON + writes_there + PROGRAM
    terminal = Terminal(
        [sys.executable, "-c", code, "replay", "--json", str(table)], tmp_path, width=160
    )
    try:
        terminal.wait_until(lambda rows: any("benchwatch: replaying" in row for row in rows))
        exit_code = terminal.end()
        left = [row for row in terminal.screen if row]
    finally:
        terminal.close()

    assert exit_code == 0
    assert len(left) == 1
    assert "nominal taken as 10 MHz" in left[0]


def test_replay_without_a_terminal_writes_its_sentences_alone(table):
    """On a pipe standard error has the same one sentence, and no carriage return."""
    done = subprocess.run(
        [*COMMAND, "replay", "--json", str(table)], capture_output=True, check=True
    )

    assert done.stderr.count(b"\n") == 1
    assert b"\r" not in done.stderr
    assert done.stdout.count(b"\n") == ROWS + 1
