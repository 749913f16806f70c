"""``watch --typed`` in processes of its own: pipes, terminals, and ends of every kind."""

import contextlib
import json
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from journal_kit import check_sound, kept
from line_schema_kit import held
from load_kit import LONGEST_WAIT_S
from program_kit import COMMAND, run_program
from terminal_kit import Terminal

HOSTILE = [
    b"1" * 10_000,
    b"\x1b[2J\x1b]0;title\x07",
    "\N{GRINNING FACE}\N{RIGHT-TO-LEFT OVERRIDE}".encode(),
    b"10000000\x00.09",
    b"\xff\xfe\xff",
    b"10000000.09 10000000.10",
    b"1000000.09",
    b"nan",
]


def piped(
    data: bytes, *options: str, journal: Path | None = None
) -> "subprocess.CompletedProcess[bytes]":
    """Watch what is typed into a pipe, with JSON lines."""
    where = ["--no-journal"] if journal is None else ["--journal", str(journal)]
    return subprocess.run(
        [*COMMAND, "watch", "--typed", "--json", *where, *options],
        input=data,
        capture_output=True,
        timeout=2 * LONGEST_WAIT_S,
        check=False,
    )


def lines_of(done: "subprocess.CompletedProcess[bytes]") -> list[dict[str, Any]]:
    """Return its lines."""
    return [held(json.loads(line)) for line in done.stdout.splitlines()]


@contextlib.contextmanager
def typing(folder: Path, *options: str) -> Any:
    """Start a watch of typed readings, and give its process."""
    command = [*COMMAND, "watch", "--typed", "--json", "--journal", str(folder / "j.db"), *options]
    pipe = subprocess.PIPE
    with subprocess.Popen(command, stdin=pipe, stdout=pipe, stderr=pipe) as process:
        yield process
        process.kill()


def type_line(process: Any, line: str) -> dict[str, Any]:
    """Type a line, and return the line that comes of it."""
    process.stdin.write(f"{line}\n".encode())
    process.stdin.flush()
    return dict(json.loads(process.stdout.readline()))


def test_a_file_of_typed_numbers_is_taken_in_every_spelling(tmp_path: Path) -> None:
    """Exact and flagged; the journal holds them, and replay gives them again without a gap."""
    journal = tmp_path / "j.db"

    done = piped(b"10 000 000.09\n10000000,10\r\n9.99999912 MHz\rq\n", journal=journal)
    again = run_program("replay", str(journal), "--json")

    lines = lines_of(done)
    assert done.returncode == 0, done.stderr
    assert [line["offset_hz"] for line in lines[:-1]] == [0.09, 0.10, -0.88]
    assert all(line["flags"] == ["typed"] for line in lines[:-1])
    assert lines[-1]["reason"] == "standard input has ended"
    replayed = [held(json.loads(line)) for line in again.stdout.splitlines()]
    assert [line["offset_hz"] for line in replayed[:-1]] == [0.09, 0.10, -0.88]
    assert all(line["flags"] == ["typed"] for line in replayed[:-1])


def test_wrong_lines_are_named_and_end_in_exit_code_5() -> None:
    """Each with its number; nothing of them reaches the terminal as it was written."""
    data = b"".join(b"10000000.0" + b"%d\n" % n + line + b"\n" for n, line in enumerate(HOSTILE))

    done = piped(data)

    said = done.stderr.decode()
    assert done.returncode == 5, said
    assert len(lines_of(done)) == len(HOSTILE) + 1
    assert all(f"line {2 * n} was not used" in said for n in range(1, len(HOSTILE) + 1))
    assert "Traceback" not in said
    assert said.replace("\n", "").isprintable()


@pytest.mark.parametrize("data", [b"", b"hello\n", b"10000000.09"])
def test_an_input_without_a_reading_is_no_success(data: bytes) -> None:
    """Exit code 4; a line without an end may be cut, and is no reading."""
    done = piped(data)

    assert done.returncode == 4, done.stderr
    assert b"Not one reading came" in done.stderr


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--typed", "TCPIP0::127.0.0.1::5025::SOCKET"), "give - as a resource too"),
        (("--typed", "one=-", "two=typed"), "the readings of one counter only"),
        (("--typed", "--interval", "1s"), "--interval is for counters that are queried"),
    ],
)
def test_what_makes_no_sense_is_a_usage_error(words: Sequence[str], says: str) -> None:
    """A sentence, and exit code 2."""
    done = run_program("watch", *words, "--no-journal")

    assert done.returncode == 2
    assert says in done.stderr


def test_a_typed_run_that_was_killed_goes_on(tmp_path: Path) -> None:
    """All that was shown is kept, and the same command continues it; after q it begins anew."""
    with typing(tmp_path) as first:
        shown = [type_line(first, f"10000000.0{n}")["frequency_hz"] for n in range(3)]
    with typing(tmp_path) as second:
        type_line(second, "10000000.05")
        second.stdin.write(b"q\n")
        second.stdin.close()
        assert second.wait(LONGEST_WAIT_S) == 0
        goes_on = second.stderr.read().decode()
    with typing(tmp_path) as third:
        type_line(third, "10000000.06")
        third.stdin.close()
        third.wait(LONGEST_WAIT_S)
        anew = third.stderr.read().decode()

    assert kept(tmp_path / "j.db")[:3] == shown
    assert "the visit goes on" in goes_on
    assert "goes on" not in anew


def test_two_may_type_into_one_journal(tmp_path: Path) -> None:
    """Neither continues the other's run, and every reading of both is kept."""
    with typing(tmp_path) as one, typing(tmp_path) as other:
        shown = [
            type_line(process, f"10000000.{n}{place}")["frequency_hz"]
            for n in range(5)
            for place, process in enumerate((one, other))
        ]
        for process in (one, other):
            process.stdin.close()
        codes = [process.wait(LONGEST_WAIT_S) for process in (one, other)]
        said = [process.stderr.read().decode() for process in (one, other)]

    assert codes == [0, 0]
    assert sorted(kept(tmp_path / "j.db")) == sorted(shown)
    assert not any("goes on" in text for text in said)
    check_sound(tmp_path / "j.db")


def test_a_person_is_asked_on_a_terminal(tmp_path: Path) -> None:
    """``watch - --plain``: a prompt, a sentence where a line is wrong, and Ctrl-D ends it."""
    terminal = Terminal([*COMMAND, "watch", "-", "--plain"], tmp_path, width=150, height=40)
    with contextlib.closing(terminal):
        terminal.wait_for("reading 1 (Hz):")
        terminal.type(b"10 000 000,09\r")
        terminal.wait_for("reading 2 (Hz):")
        terminal.type(b"hello\r")
        terminal.wait_for("'hello' is no number")
        terminal.wait_until(lambda rows: sum("reading 2 (Hz):" in row for row in rows) == 2)
        terminal.type(b"\x04")
        code = terminal.end()

    assert code == 0
    assert kept(tmp_path / "benchwatch" / "journal.db") == [10000000.09]


def test_a_number_that_may_be_cut_is_asked_for_again_on_a_terminal(tmp_path: Path) -> None:
    """``watch - --plain``: why, and the same prompt; the same line again is taken."""
    terminal = Terminal([*COMMAND, "watch", "-", "--plain"], tmp_path, width=150, height=40)
    with contextlib.closing(terminal):
        terminal.wait_for("reading 1 (Hz):")
        terminal.type(b"10000000.09\r")
        terminal.wait_for("reading 2 (Hz):")
        terminal.type(b"10000000\r")
        terminal.wait_for("'10000000' ends 2 digits before the newest readings do: is it cut?")
        terminal.wait_until(lambda rows: sum("reading 2 (Hz):" in row for row in rows) == 2)
        terminal.type(b"10000000\r")
        terminal.wait_for("reading 3 (Hz):")
        terminal.type(b"q\r")
        code = terminal.end()

    assert code == 0
    assert kept(tmp_path / "benchwatch" / "journal.db") == [10000000.0, 10000000.09]


def test_a_terminal_that_closes_interrupts_the_typing(tmp_path: Path) -> None:
    """Nothing is lost, and the same command goes on with the run."""
    command = [*COMMAND, "watch", "-", "--plain"]
    first = Terminal(command, tmp_path, width=150)
    with contextlib.closing(first):
        first.wait_for("reading 1 (Hz):")
        first.type(b"10000000.09\r")
        first.wait_for("reading 2 (Hz):")
        first.vanish()
        first.child.wait(LONGEST_WAIT_S)
    second = Terminal(command, tmp_path, width=150)
    with contextlib.closing(second):
        second.wait_for("the visit goes on")

    assert kept(tmp_path / "benchwatch" / "journal.db") == [10000000.09]
