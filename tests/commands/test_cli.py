"""The command line end to end: real processes, real sockets, exit codes and sentences."""

import io
import json
import os
import pty
import re
import select
import signal
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from counter_kit import again_if_kept_from_reading, note_busy, tiny_counter, value_of
from journal_kit import gaps_in, read_events, read_runs
from line_schema_kit import held
from pipeline_kit import NOMINAL, START_UTC_S, reading
from program_kit import COMMAND, start_program

from benchwatch.cli import run
from benchwatch.commands import COMMANDS
from benchwatch.journal import Journal
from benchwatch.line_output import EndOfRun, LineOutput, json_line
from benchwatch.pipeline.pipeline import Pipeline
from benchwatch.plan import Plan
from benchwatch.reading import Gap, Reading

pytestmark = pytest.mark.long


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch) -> Path:
    """Set data and state folders of the test's own."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return tmp_path


def ended(process: "subprocess.Popen[str]") -> tuple[int, list[str], str]:
    """Wait for the end; return exit code, lines of standard output, standard error."""
    assert process.stdout is not None
    assert process.stderr is not None
    # Not communicate(): it would skip what a test's readline() has buffered already.
    with process:
        out, errors = process.stdout.read(), process.stderr.read()
    assert "Traceback" not in errors
    return process.returncode, out.splitlines(), errors


def frequencies(events) -> list[float]:
    """Return the frequencies of the readings among `events`."""
    return [event.frequency_hz for event in events if isinstance(event, Reading)]


def parsed(lines: list[str]) -> list[dict]:
    """Read every line strictly."""

    def refuse(word: str) -> None:
        raise AssertionError(word)

    found = [held(json.loads(line, parse_constant=refuse)) for line in lines]
    note_busy(found)
    return found


# ------------------------------------------------------------- watch a foreign counter


@again_if_kept_from_reading
def test_sixty_readings_of_a_strange_counter_and_nothing_set(home):
    """The main job: 60 right readings as JSON, only queries sent, exit 0.

    The counter leaves the queries of its trigger mode and of its event mask unanswered.
    """
    with tiny_counter() as counter:
        counter.replies |= {"INIT:CONT?": None, "*ESE?": None}
        code, lines, errors = ended(
            start_program(
                "watch", counter.resource, "--nominal", "10MHz", "--json", "--count", "60"
            )
        )

    *readings, end = parsed(lines)
    assert code == 0, errors
    assert [line["frequency_hz"] for line in readings] == [value_of(n) for n in range(1, 61)]
    assert [line["offset_hz"] for line in readings] == [n / 10_000 for n in range(1, 61)]
    assert end == {"kind": "end", "readings": 60, "gaps": 0, "reason": "count reached"}
    assert counter.settings == []
    assert counter.answered == 60


def test_the_journal_is_on_by_default_and_has_each_reading_once(home):
    """Without options the journal is in the user's data folder."""
    with tiny_counter() as counter:
        code, _, errors = ended(
            start_program("watch", f"ten={counter.resource}", "--plain", "--count", "20")
        )

    path = home / "data" / "benchwatch" / "journal.db"
    (kept,) = read_runs(path)
    assert code == 0
    assert str(path) in errors
    assert (kept.counter, kept.identity, kept.end_reason) == (
        "ten", "MADE FOR A TEST,TINY COUNTER,0,1.0", "count reached",
    )  # fmt: skip
    assert frequencies(read_events(path, kept)) == [value_of(n) for n in range(1, 21)]


def test_no_journal_leaves_nothing_behind(home):
    """--no-journal writes no file in the home folder."""
    with tiny_counter() as counter:
        ended(start_program("watch", counter.resource, "--no-journal", "--json", "--count", "3"))

    assert [path for path in home.rglob("*") if path.is_file()] == []


def test_lines_when_standard_output_is_no_terminal():
    """Without --plain or --json a pipe gets plain lines."""
    with tiny_counter() as counter:
        _, lines, _ = ended(
            start_program("watch", counter.resource, "--no-journal", "--count", "3")
        )

    assert re.fullmatch(
        r"\d{4}-\d\d-\d\dT[\d:.]+Z  main  reading 10000000\.0001\d* Hz .*", lines[0]
    )
    assert lines[-1] == "end: count reached; 3 readings, 0 gaps"


@again_if_kept_from_reading
def test_two_counters_with_names_and_nominals_of_their_own():
    """Each line names its counter; each has its nominal; the end counts both."""
    with tiny_counter() as one, tiny_counter() as two:
        code, lines, errors = ended(
            start_program(
                "watch", f"ten={one.resource}", f"same={two.resource}", "--nominal", "10MHz",
                "--nominal", "same=10000000.5", "--json", "--no-journal", "--count", "10",
            )
        )  # fmt: skip

    *readings, end = parsed(lines)
    offsets = {
        name: [r["offset_hz"] for r in readings if r["counter"] == name] for name in ("ten", "same")
    }
    assert code == 0, errors
    assert offsets["ten"] == pytest.approx([n * 1e-4 for n in range(1, 11)])
    assert offsets["same"] == pytest.approx([n * 1e-4 - 0.5 for n in range(1, 11)])
    assert end["readings"] == 20


@again_if_kept_from_reading
def test_a_lost_link_is_a_gap_and_the_run_continues(home):
    """The peer closes the connection: a gap line, then further readings, none twice."""
    with tiny_counter() as counter:
        counter.close_after = 5
        code, lines, _ = ended(
            start_program(
                "watch", counter.resource, "--nominal", "10MHz", "--json", "--count", "12"
            )
        )

    *events, end = parsed(lines)
    assert code == 0
    assert [event["kind"] for event in events] == ["reading"] * 5 + ["gap"] + ["reading"] * 7
    values = [event["frequency_hz"] for event in events if event["kind"] == "reading"]
    assert values == [value_of(n) for n in range(1, 13)]
    assert end["gaps"] == 1
    path = home / "data" / "benchwatch" / "journal.db"
    events = list(read_events(path, read_runs(path)[-1]))
    kinds = [type(event) for event in events if isinstance(event, Reading | Gap)]
    assert kinds == [Reading] * 5 + [Gap] + [Reading] * 7


def test_a_killed_watch_loses_no_line_that_was_seen(home):
    """After SIGKILL every printed reading is in the journal."""
    with tiny_counter(gate_s=0.002) as counter:
        process = start_program("watch", counter.resource, "--nominal", "10MHz", "--json")
        assert process.stdout is not None
        seen = []
        for line in process.stdout:
            seen.append(line)
            if len(seen) == 100:
                process.kill()
        process.communicate()

    path = home / "data" / "benchwatch" / "journal.db"
    kept = frequencies(read_events(path, read_runs(path)[0]))
    lines = parsed([line for line in seen if line.endswith("}\n")])  # the last one may be cut off
    shown = [line["frequency_hz"] for line in lines if line["kind"] == "reading"]
    sent = [value_of(n) for n in range(1, counter.answered + 1)]
    assert len(shown) >= 90  # besides them, a busy machine makes a gap or a mark
    assert kept[: len(shown)] == shown
    assert kept == [hertz for hertz in sent if hertz in set(kept)]
    # One is in flight. Where the machine stood still, one may not be used: that is a gap.
    assert len(sent) - len(kept) <= 1 + gaps_in(path)


def test_two_programs_on_one_journal(home):
    """Two watches write to one file at once: each run is whole."""
    path = home / "shared.db"
    with tiny_counter() as one, tiny_counter() as two:
        programs = [
            start_program(
                "watch", f"{name}={counter.resource}", "--nominal", "10MHz", "--json",
                "--count", "400", "--journal", str(path),
            )
            for name, counter in (("ten", one), ("five", two))
        ]  # fmt: skip
        codes = [ended(program)[0] for program in programs]

    assert codes == [0, 0]
    kept = {run.counter: list(read_events(path, run)) for run in read_runs(path)}
    expected = [value_of(n) for n in range(1, 401)]
    assert set(kept) == {"ten", "five"}
    assert [frequencies(events) for events in kept.values()] == [expected] * 2


# ------------------------------------------------------------- the end of a run


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_ends_the_run_in_order(number):
    """The last line says interrupted, and the exit code is 130."""
    with tiny_counter(gate_s=0.01) as counter:
        process = start_program("watch", counter.resource, "--json", "--no-journal")
        assert process.stdout is not None
        lines = [process.stdout.readline() for _ in range(5)]
        process.send_signal(number)
        code, rest, _ = ended(process)

    *readings, end = parsed([*lines, *rest])
    assert code == 130
    assert (end["kind"], end["reason"]) == ("end", "interrupted")
    assert end["readings"] == len(readings) >= 5


def test_a_signal_during_a_long_gate_ends_the_run():
    """A gate of a minute does not delay the end."""
    with tiny_counter() as counter:
        counter.replies["READ?"] = None
        process = start_program("watch", counter.resource, "--json", "--no-journal")
        assert process.stderr is not None
        for line in process.stderr:
            if "waiting for the first reading" in line:
                break
        process.send_signal(signal.SIGTERM)
        code, lines, _ = ended(process)

    assert code == 130
    assert parsed(lines) == [{"kind": "end", "readings": 0, "gaps": 0, "reason": "interrupted"}]


def test_a_pipe_that_its_reader_closes_is_no_error():
    """Piped into head: no traceback, no error, and the program ends."""
    with tiny_counter(gate_s=0.001) as counter:
        process = start_program("watch", counter.resource, "--json", "--no-journal")
        assert process.stdout is not None
        process.stdout.readline()
        process.stdout.close()
        assert process.stderr is not None
        errors = process.stderr.read()
        process.stderr.close()
        code = process.wait(timeout=100)

    assert code == 0
    assert "Traceback" not in errors
    assert "roken pipe" not in errors


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_a_full_standard_output_is_a_sentence():
    """A full disk behind the redirection: exit 5, no traceback."""
    with tiny_counter() as counter, Path("/dev/full").open("w") as full:
        process = subprocess.run(
            [*COMMAND, "watch", counter.resource, "--json",
             "--no-journal", "--count", "5"],
            stdout=full, stderr=subprocess.PIPE, text=True, timeout=100, check=False,
        )  # fmt: skip

    assert process.returncode == 5
    assert "standard output can't be written" in process.stderr
    assert "Traceback" not in process.stderr


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
@pytest.mark.parametrize(
    "words", ["elsewhere 2ppb --nominal 10MHz", "drivers --json", "doctor", "simulate"]
)
def test_any_command_on_a_full_standard_output_is_a_sentence(words: str):
    """For tables and JSON of every command."""
    with Path("/dev/full").open("w") as full:
        process = subprocess.run(
            [*COMMAND, *words.split()],
            stdout=full, stderr=subprocess.PIPE, text=True, timeout=100, check=False,
        )  # fmt: skip

    assert process.returncode == 5
    assert "standard output can't be written" in process.stderr
    assert "Traceback" not in process.stderr


def test_closed_standard_output_is_a_sentence():
    """As with ``>&-`` in a shell."""
    process = subprocess.run(
        [*COMMAND, "elsewhere", "2ppb", "--nominal", "10MHz"],
        preexec_fn=lambda: os.close(1), stderr=subprocess.PIPE, text=True, timeout=100, check=False,
    )  # fmt: skip

    assert process.returncode == 5
    assert process.stderr.startswith("benchwatch: standard output is closed")
    assert process.stderr.count("\n") == 1


def test_narration_is_never_written_among_the_data():
    """With standard error closed, as by ``2>&-``, it is lost, and data are complete."""
    with tiny_counter() as counter:
        process = subprocess.run(
            [*COMMAND, "watch", counter.resource, "--json",
             "--no-journal", "--count", "2"],
            preexec_fn=lambda: os.close(2), stdout=subprocess.PIPE, text=True, timeout=100,
            check=False,
        )  # fmt: skip

    assert [line["kind"] for line in parsed(process.stdout.splitlines())] == [
        "reading", "reading", "end",
    ]  # fmt: skip


def test_for_ends_after_the_time():
    """--for ends the run with the readings it has.

    On a busy machine the time may be up before there is a reading; then it is tried with more.
    """
    for for_s in (1, 4, 16, 64):
        with tiny_counter(gate_s=0.05) as counter:
            code, lines, errors = ended(
                start_program(
                    "watch", counter.resource, "--json", "--no-journal", "--for", f"{for_s}s"
                )
            )
        if counter.answered > 1:  # the program has the first when it queries the second
            break

    *readings, end = parsed(lines)
    assert (code, end["reason"]) == (0, "time is up"), errors
    assert len(readings) == end["readings"] > 0


# ------------------------------------------------------------- mistakes


def run_here(capsys, *arguments: str) -> tuple[int, str]:
    """Run in this process; return the exit code and standard error, as one line."""
    code = run(arguments)
    return code, " ".join(capsys.readouterr().err.split())


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        ((), 2, "Usage: benchwatch"),
        (("watc",), 2, "No such command 'watc'"),
        (("watch",), 2, "nothing to watch"),
        (("watch", "--sim", "station", "TCPIP0::127.0.0.1::1::SOCKET"), 2, "give one of them"),
        (("watch", "--sim", "atlantis"), 2, "no simulated bench 'atlantis'"),
        (("watch", "R", "--plain", "--json"), 2, "exclude each other"),
        (("watch", "R", "--no-journal", "--journal", "x"), 2, "exclude each other"),
        (("watch", "R", "--seed", "3"), 2, "--seed is for a simulated bench"),
        (("watch", "R", "--nominal", "10mhz"), 2, "mega or milli"),
        (("watch", "R", "--nominal", "five=5MHz", "--no-journal"), 2, "no counter has that name"),
        (("watch", "a=R", "a=S", "--no-journal"), 2, "two counters are called 'a'"),
        (("watch", "R", "b=R", "--no-journal"), 2, "given twice"),
        (("watch", "R", "--tolerance", "50 mHz", "--no-journal"), 2, "no nominal"),
        (("watch", "R", "--tolerance", "-5ppb", "--no-journal"), 2, "must be above zero"),
        (("watch", "R", "--settle", "1ppb", "--no-journal"), 2, "over which time"),
        (("watch", "R", "--until", "settled", "--no-journal"), 2, "add --settle"),
        (("watch", "R", "--gate", "0s"), 2, "must be above zero"),
        (("watch", "R", "--for", "10m"), 2, "minutes or milliseconds"),
        (("watch", "R", "--count", "0"), 2, "'--count'"),
        (("watch", "R", "--driver", "morse", "--no-journal"), 2, "no driver 'morse'"),
        (("watch", "R\x1b[31m\x07", "--json", "--no-journal"), 2, "is no resource string"),
        (("watch", "TCPIP0::127.0.0.1::9::SOCKET", "--no-journal"), 3, "nothing listens"),
        (("watch", "ASRL9", "--journal", "/"), 5, "no journal (/)"),
        (("replay", "/no/such/file.csv"), 5, "can't be read"),
        (("simulate", "atlantis"), 2, "no simulated bench 'atlantis'"),
    ],
)  # fmt: skip
def test_each_mistake_is_a_sentence_and_an_exit_code(capsys, arguments, code, words):
    """Bad input of every kind: what, where, remedy; no traceback and no escapes."""
    found, errors = run_here(capsys, *arguments)

    assert found == code, errors
    assert words in errors
    assert "\x1b" not in errors
    assert "Traceback" not in errors


def test_a_device_that_is_no_counter():
    """It answers, but READ? gives no number: exit 3."""
    with tiny_counter() as counter:
        counter.replies["*IDN?"] = b"\xff\xfe\x1b[2Jgarbage\n"
        code, lines, errors = ended(
            start_program("watch", counter.resource, "--json", "--no-journal")
        )

    assert code in {3, 4}
    assert parsed(lines)[-1]["readings"] == 0
    assert "\x1b" not in errors


def test_a_nominal_far_from_the_readings():
    """10 MHz on the input and 5 MHz typed: exit 4, and both are named."""
    with tiny_counter() as counter:
        code, lines, errors = ended(
            start_program("watch", counter.resource, "--nominal", "5MHz", "--json", "--no-journal")
        )

    assert code == 4
    assert "10.000" in errors or "10 MHz" in errors
    assert "5 MHz" in errors
    assert parsed(lines)[-1]["readings"] == 0


def test_a_damaged_journal_stops_the_start_and_is_left_alone(home):
    """The file is refused before any reading, with a remedy."""
    path = home / "journal.db"
    path.write_bytes(b"no journal at all" * 100)
    with tiny_counter() as counter:
        code, lines, errors = ended(
            start_program("watch", counter.resource, "--json", "--journal", str(path))
        )

    assert (code, lines) == (5, [])
    assert "--no-journal" in errors
    assert path.read_bytes() == b"no journal at all" * 100


def test_a_journal_that_is_locked_holds_nothing_up(home):
    """Locked all the time: every line comes; the end reports what is missing, and exits 5."""
    path = home / "journal.db"
    Journal(path).close()
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    with tiny_counter() as counter:
        code, lines, errors = ended(
            start_program(
                "watch", counter.resource, "--json", "--count", "30", "--journal", str(path)
            )
        )
    other.close()

    assert code == 5
    assert len(lines) == 31
    assert "locked by another program" in errors
    left = re.search(r"(\d+) readings and notes are not in it", errors)
    assert left is not None
    assert int(left[1]) >= 30  # and the events that were logged automatically


# ------------------------------------------------------------- replay, simulate, the rest


def test_a_replayed_run_has_the_numbers_of_the_live_one(home, capsys):
    """JSON lines that are replayed give the same lines, with the same estimates."""
    pipeline = Pipeline(Plan(name="main", resource="R", nominal=NOMINAL, tolerance=5e-9))
    stream = io.StringIO()
    lines = LineOutput(stream, json_line)
    events = [reading(n, f"10000000.{2000 + n * 37 % 11:04d}") for n in range(60)]
    events[30:40] = [
        Gap(
            counter="main",
            utc_s=START_UTC_S + 29.5,
            elapsed_s=29.5,
            lasted_s=10.0,
            reason="no reply within 2.5 s",
        )
    ]
    for event in events:
        lines.event(event, pipeline.take(event).numbers)
    lines.end(EndOfRun(50, 1, "end of file"))
    (home / "run.jsonl").write_text(stream.getvalue())
    code = run(["replay", str(home / "run.jsonl"), "--tolerance", "5ppb", "--json"])
    again = parsed(capsys.readouterr().out.splitlines())

    assert code == 0
    before = parsed(stream.getvalue().splitlines())
    for line in (*before, *again):
        line["text"] = float(line.get("text", 0))  # trailing zeros don't survive a JSON number
    assert again == before


def test_replay_of_a_table(home, capsys):
    """Gaps are reported, the nominal is used exactly, and the gate is that of --gate."""
    (home / "run.csv").write_text(
        "# a made run\ntime_s,frequency_hz\n0,10000000.0010\n1,10000000.0020\n8,10000000.0030\n"
    )
    code = run(["replay", str(home / "run.csv"), "--nominal", "10MHz", "--gate", "1s", "--json"])
    lines = parsed(capsys.readouterr().out.splitlines())

    assert code == 0
    assert [line["kind"] for line in lines] == ["reading", "reading", "gap", "reading", "end"]
    assert [line["offset"] for line in lines if line["kind"] == "reading"] == [1e-10, 2e-10, 3e-10]
    assert {line["gate_s"] for line in lines if line["kind"] == "reading"} == {1.0}


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"", 5),
        (b"time_s,frequency_hz\n", 5),
        (b"time_s,frequency_hz\n1,10000000\n0,10000000\n", 5),
        (b"\x00\x01\x02", 5),
        (b"time_s,volts\n0,1\n", 5),
        (b"time_s,frequency_hz\n0,\x1b[31mred\n", 5),
        (b"\x1f\x8b\x08", 5),
    ],
)
def test_replay_refuses_files_that_are_no_recording(home, capsys, content, code):
    """Empty, unsorted, binary, another table, escapes: a sentence and exit 5."""
    (home / "bad.csv").write_bytes(content)
    found, errors = run_here(capsys, "replay", str(home / "bad.csv"))

    assert found == code
    assert errors.startswith("benchwatch: ")
    assert "\x1b" not in errors


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_simulate_prints_names_and_resources_and_serves_until_interrupted(number):
    """One flushed line a counter on standard output; a watch reads from it; a signal ends it."""
    server = start_program("simulate", "quiet", "--seed", "7")
    assert server.stdout is not None
    name, resource = server.stdout.readline().split()
    code, lines, _ = ended(
        start_program("watch", f"{name}={resource}", "--json", "--no-journal", "--count", "2")
    )
    server.send_signal(number)
    server_code, rest, _ = ended(server)

    assert (code, len(lines)) == (0, 3)
    assert re.fullmatch(r"TCPIP0::127\.0\.0\.1::\d+::SOCKET", resource)
    assert (server_code, rest) == (130, [])


def test_watching_a_simulated_bench_takes_its_suggestions():
    """--sim needs no other option: nominal and tolerance are those of the bench."""
    code, lines, errors = ended(
        start_program("watch", "--sim", "--seed", "3", "--json", "--no-journal", "--count", "2")
    )

    first = parsed(lines)[0]
    assert code == 0
    assert first["tolerance"] == {"limit": 1e-9, "inside": False}
    assert 1e-7 < first["offset"] < 4.4e-6  # the oven comes in from 4e-6 while the program starts
    assert "seed 3" in errors


def test_the_screen_is_for_terminals_and_ends_with_the_run(home):
    """On a terminal the screen is shown, and --count ends it with exit 0."""
    with tiny_counter(gate_s=0.05) as counter:
        child, terminal = pty.fork()
        if child == 0:
            os.environ |= {"TERM": "xterm-256color", "COLUMNS": "80", "LINES": "24"}
            os.execv(
                sys.executable,
                [*COMMAND, "watch", counter.resource,
                 "--nominal", "10MHz", "--count", "40"],
            )  # fmt: skip
        shown = b""
        while select.select([terminal], [], [], 30)[0]:
            try:
                shown += os.read(terminal, 65536)
            except OSError:
                break
        _, status = os.waitpid(child, 0)
        os.close(terminal)

    assert os.waitstatus_to_exitcode(status) == 0
    assert b"\x1b[?1049h" in shown  # the alternate screen was entered ...
    assert shown.rindex(b"\x1b[?1049l") > shown.rindex(b"\x1b[?1049h")  # ... and was left
    assert b"40 readings" in shown
    path = home / "data" / "benchwatch" / "journal.db"
    kept = frequencies(read_events(path, read_runs(path)[0]))
    assert kept == [value_of(n) for n in range(1, 41)]


def test_version_and_help_load_nothing_heavy():
    """--version answers without the screen, the buses or arrays."""
    code = (
        "import sys\nfrom benchwatch.cli import run\nassert run(['--version']) == 0\n"
        "assert run(['--help']) == 0\n"
        "print(sorted({'textual', 'numpy', 'pyvisa', 'scipy', 'sqlite3'} & set(sys.modules)))"
    )
    child = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    *rest, loaded = child.stdout.splitlines()

    assert loaded == "[]"
    assert re.fullmatch(r"benchwatch \d+\.\d+\.\d+", rest[0])


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_can_be_loaded_and_explains_itself(capsys, name):
    """Each command of the table exists and has help."""
    code = run([name, "--help"])

    assert code == 0
    assert f"Usage: benchwatch {name}" in capsys.readouterr().out


@pytest.mark.parametrize("option", [(), ("--driver", "~no-such-user/own.toml")])
@pytest.mark.parametrize("words", [("watch",), ("find",), ("drivers", "check")])
def test_names_of_files_that_no_system_has_are_a_sentence(capsys, words, option):
    """A home of a user who is not known, and a name that is too long."""
    if words == ("find",) and option:
        return
    for name in ("~no-such-user/readings", "a" * 300, "/" + "b" * 300):
        code, errors = run_here(capsys, *words, name, *option)

        assert code in {2, 3, 5}, errors
        assert "Traceback" not in errors


def test_a_mistyped_command_is_answered_with_the_nearest(capsys):
    """As parts of commands are; a word near none gets no guess."""
    assert run(["watc"]) == 2
    near = capsys.readouterr().err
    assert run(["xqz"]) == 2
    far = capsys.readouterr().err

    assert "No such command 'watc'. Did you mean 'watch'?" in near
    assert "Did you mean" not in far
