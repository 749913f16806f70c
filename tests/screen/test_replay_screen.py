"""A recording on the screen: keys, the position row, and the command in a real terminal."""

import math
import os
import re

import pytest
import screen_kit as kit
from click.testing import CliRunner
from program_kit import COMMAND
from terminal_kit import Terminal

from benchwatch.cli import run
from benchwatch.screen.app import BenchwatchApp
from benchwatch.screen.display_options import DisplayOptions
from benchwatch.screen.drawing.theme import Theme
from benchwatch.screen.panels.shared_rows import key_lines, playing_line
from benchwatch.snapshot import Playback

needs_terminals = pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")


def made_app(playback):
    """Return an app of a fixed recording that draws only on request."""
    options = DisplayOptions(theme=Theme(), state=None)
    watch = kit.FakeWatch(kit.full_snapshot())
    return BenchwatchApp(watch, playback=playback, options=options, every_s=None)


@pytest.mark.parametrize("width", [80, 120])
def test_the_footer_offers_the_records_of_a_recording(width):
    """As found is kept automatically in a recording too; one key shows its budget."""
    made = kit.frame(
        kit.full_snapshot(), playing=Playback(state="playing", at_s=0.0, length_s=1000.0, speed=1.0)
    )
    rows = [row.plain.rstrip() for row in key_lines(made, width, 2)]

    assert len(rows) <= 2
    assert "b records" in " ".join(rows)


@pytest.fixture
def file(tmp_path):
    """Return a recording of ten minutes, 2.3 ppb high."""
    rows = [f"{second},{10_000_000.023 + 0.0005 * (second % 3):.4f}" for second in range(600)]
    path = tmp_path / "ten minutes.csv"
    path.write_text("\n".join(["time_s,frequency_hz", *rows]) + "\n", encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("key", "did"),
    [
        ("space", "pause"),
        ("left", ("seek", 90.0)),
        ("right", ("seek", 110.0)),
        ("left_square_bracket", ("seek", 50.0)),
        ("right_square_bracket", ("seek", 150.0)),
        ("home", ("seek", 0.0)),
        ("end", ("seek", 1000.0)),
        ("up", ("speed", 1)),
        ("down", ("speed", -1)),
    ],
)
async def test_each_key_moves_the_recording(key, did):
    """On the trim, where the same keys turn a simulated trimmer live."""
    playback = kit.FakeTransport()
    app = made_app(playback)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press(key)

    assert playback.calls == [did]


async def test_g_goes_to_a_time():
    """A duration is a position; another text, or one past the end, gives a sentence."""
    playback = kit.FakeTransport()
    app = made_app(playback)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("g", *"12min", "enter")
        await pilot.press("g", *"noon", "enter")
        said = app.screen_state.frame().message
        await pilot.press("g", *"9h", "enter")
        past = app.screen_state.frame().message

    assert playback.calls == [("seek", 720.0), ("seek", 32400.0)]
    assert "noon" in said
    assert "the recording ends at 16 min" in past


async def test_a_sentence_stays_while_the_recording_jumps():
    """A key's answer stays its real time, though hours of the recording pass."""
    app = made_app(kit.FakeTransport())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("u")
        app.screen_state._watch.now_s += 7200.0

        assert "fractions in" in app.screen_state.frame().message


@pytest.mark.parametrize("view", ["1", "2", "3", "4", "5"])
@pytest.mark.parametrize("size", [(80, 24), (120, 36), (60, 18)])
async def test_every_view_has_the_position_and_its_keys(view, size):
    """One row has state, time and speed, on every view and size; no key of a live bench."""
    app = made_app(kit.FakeTransport())
    async with app.run_test(size=size) as pilot:
        await pilot.press(view)
        text = "\n".join(row.plain for row in app.view_widget.lines)

    assert " playing  0:01:40 of 0:16:40, at 20x " in text
    assert "Space pause" in text
    assert "Space tool" not in text
    assert "as found" not in text.splitlines()[-1]


@pytest.mark.parametrize("at_s", [0.0, 333.0, 1000.0])
def test_the_rail_has_the_mark_where_the_recording_is(at_s):
    """At the beginning, a third, the end; the row is as wide as the screen."""
    made = kit.frame(playing=Playback(state="paused", at_s=at_s, length_s=1000.0, speed=1.0))
    (row,) = playing_line(made, 100, 1)
    rail = row.plain[row.plain.index("├") + 1 : row.plain.index("┤")]

    assert rail.index("█") == round(at_s / 1000.0 * (len(rail) - 1))
    assert row.width <= 100


def test_an_empty_recording_has_a_rail_too():
    """A single reading has no length."""
    (row,) = playing_line(
        kit.frame(playing=Playback(state="ended", at_s=0.0, length_s=0.0, speed=1.0)), 80, 1
    )

    assert "0:00:00 of 0:00:00" in row.plain


@needs_terminals
def test_a_recording_in_a_real_terminal(file, tmp_path):
    """Play at 20 times, pause, go to 5 min, to the end, and quit; the numbers are the file's."""
    command = [*COMMAND, "replay", str(file), "--nominal", "10MHz"]
    terminal = Terminal([*command, "--tolerance", "1ppb", "--speed", "20"], tmp_path)
    try:
        terminal.wait_until(lambda rows: re.search(r"playing  0:00:\d\d of 0:09:59", "".join(rows)))
        terminal.type(b" ")
        terminal.wait_for("paused")
        terminal.type(b"g")
        terminal.wait_for("Time of the recording")
        terminal.type(b"5min\r")
        paused = terminal.wait_for("paused  0:05:00 of 0:09:59, at 20x")
        terminal.type(b"\x1b[F")
        terminal.wait_for("ended  0:09:59 of 0:09:59")
        terminal.type(b"5")
        terminal.wait_for("600 readings, 0 gaps")
        terminal.type(b"q")

        assert terminal.end() == 0
    finally:
        terminal.close()
    assert any("high, bring it down" in row for row in paused)


def rows_of_a_day(path, broken_at=None):
    """Return a recording of 40 000 s with one row that is no number."""
    rows = [f"{second},{10_000_000.023 + 0.0005 * (second % 3):.4f}" for second in range(40_000)]
    if broken_at is not None:
        rows[broken_at] = f"{broken_at},ten million"
    path.write_text("\n".join(["time_s,frequency_hz", *rows]) + "\n", encoding="utf-8")
    return path


@needs_terminals
def test_a_file_that_is_broken_far_down_is_played_up_to_there(tmp_path):
    """The screen shows where the file is broken, and the sentence at the end why."""
    file = rows_of_a_day(tmp_path / "broken.csv", broken_at=30_000)
    command = [*COMMAND, "replay", str(file), "--nominal", "10MHz"]
    terminal = Terminal(command, tmp_path)
    try:
        row = terminal.wait_for("where the file is broken")
        terminal.type(b"q")

        assert terminal.end() == 5
    finally:
        terminal.close()
    assert re.search(r"0:00:\d\d of \d:\d\d:\d\d, where", "".join(row)), row
    assert b"broken.csv" in terminal.seen
    assert b"line 30002" in terminal.seen
    assert b"Traceback" not in terminal.seen


@needs_terminals
def test_a_pipe_is_played_forward_and_back(tmp_path):
    """Lines of a pipe are kept for going back; no file of them is left behind."""
    pipe, file = tmp_path / "pipe", rows_of_a_day(tmp_path / "day.csv")
    os.mkfifo(pipe)
    command = [*COMMAND, "replay", str(pipe), "--nominal", "10MHz"]
    terminal = Terminal([*command, "--speed", "3600"], tmp_path)
    try:
        pipe.write_bytes(file.read_bytes())
        terminal.wait_until(lambda rows: re.search(r"playing  [1-9]:\d\d:\d\d of", "".join(rows)))
        terminal.type(b" ")
        terminal.wait_for("paused")
        terminal.type(b"\x1b[H")
        terminal.wait_for("paused  0:00:00 of 11:06:39")
        terminal.type(b"q")

        assert terminal.end() == 0
    finally:
        terminal.close()


async def test_the_end_is_where_the_file_ends_once_that_is_known():
    """While the file is still read, the key for the end waits for its real end."""
    playback = kit.FakeTransport()
    app = made_app(playback)
    async with app.run_test(size=(80, 24)) as pilot:
        playback.playing = Playback(
            state="playing", at_s=0.0, length_s=1000.0, speed=1.0, length="so far"
        )
        await pilot.press("end")
        text = "\n".join(row.plain for row in app.view_widget.lines)
        await pilot.press("g", *"9h", "enter")

        assert "the recording ends" not in app.screen_state.frame().message

    assert playback.calls == [("seek", math.inf), ("seek", 32400.0)]
    assert "of more than 0:16:40" in text


@needs_terminals
def test_a_recording_without_readings_is_a_sentence(tmp_path):
    """No screen for an empty table; the exit code shows that nothing was read."""
    empty = tmp_path / "empty.csv"
    empty.write_text("time_s,frequency_hz\n", encoding="utf-8")
    command = [*COMMAND, "replay", str(empty), "--nominal", "10MHz"]
    terminal = Terminal(command, tmp_path)
    try:
        code = terminal.end()
    finally:
        terminal.close()

    assert code in {4, 5}
    assert b"Traceback" not in terminal.seen
    assert b"no readings" in terminal.seen or b"empty.csv" in terminal.seen


def test_speed_is_refused_where_lines_are_written(file, capsys):
    """Lines are written as fast as possible; the sentence says so."""
    code = run(["replay", str(file), "--nominal", "10MHz", "--json", "--speed", "60"])

    assert code == 2
    assert "--speed is for the screen" in capsys.readouterr().err


def test_in_a_pipe_it_is_lines_as_before(file):
    """Without a terminal: a line a reading and the end."""
    from benchwatch.commands.replay import replay

    done = CliRunner().invoke(replay, [str(file), "--nominal", "10MHz"], standalone_mode=False)

    assert done.exception is None
    assert len(done.stdout.splitlines()) >= 600
