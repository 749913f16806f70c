"""``benchwatch journal``: sizes and counts, archiving of old runs, merging of left files.

The journals are read with plain SQLite; the command is a process of its own where it is killed.
"""

import json
import os
import random
import signal
import subprocess
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from counter_kit import tiny_counter
from journal_kit import ask, check_sound, kept
from pipeline_kit import RUN, START_UTC_S, reading
from program_kit import COMMAND, Watching
from seed_kit import unseen_seed

from benchwatch import cli
from benchwatch.journal import Journal

DAY_S = 86_400.0
DATE = "2031-01-01"
RUNS = [
    replace(RUN, key=1 << 60, watch=11, started_utc_s=START_UTC_S, ended_utc_s=START_UTC_S + 99),
    replace(RUN, key=2 << 60, watch=22, counter="ten", started_utc_s=START_UTC_S + DAY_S,
            ended_utc_s=START_UTC_S + DAY_S + 9),
    replace(RUN, key=3 << 60, watch=22, counter="five", started_utc_s=START_UTC_S + DAY_S,
            ended_utc_s=START_UTC_S + 3 * DAY_S),
    replace(RUN, key=4 << 60, watch=44, started_utc_s=START_UTC_S + 2 * DAY_S),
]  # fmt: skip
"""One watch of one run, one of two that ended on different days, and one that was killed."""


@dataclass(frozen=True)
class Done:
    """Exit code and output of a command."""

    returncode: int
    stdout: str
    stderr: str


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Callable[..., Done]:
    """Run a command in this process."""

    def run_here(*words: str) -> Done:
        capsys.readouterr()
        code = cli.run(words)
        return Done(code, *capsys.readouterr())

    return run_here


def made(path: Path, readings: int = 50) -> Path:
    """Write a journal of these runs; return its path."""
    journal = Journal(path)
    for number, one in enumerate(RUNS):
        journal.save_run(one)
        for second in range(readings):
            event = reading(second, f"1000000{number}.{second:06d}")
            journal.write(one.key, replace(event, utc_s=one.started_utc_s + second))
    journal.close()
    return path


Run = Callable[..., Done]


def day(number: int) -> str:
    """Return the date so many days after the first run's."""
    return datetime.fromtimestamp(START_UTC_S + number * DAY_S, UTC).date().isoformat()


def runs_in(path: Path) -> list[int]:
    """Return the numbers of the `RUNS` in a file, from 1."""
    return [key >> 60 for (key,) in ask(path, "SELECT run FROM runs ORDER BY run")]


def test_what_a_journal_holds_is_said(tmp_path: Path, run: Run) -> None:
    """Path, sizes, counts, oldest and newest agree with the file system and plain SQL."""
    path = made(tmp_path / "journal.db")
    done = run("journal", "--journal", str(path), "--json")
    plain = run("journal", "--journal", str(path))

    told = json.loads(done.stdout)
    assert (done.returncode, plain.returncode) == (0, 0)
    assert told["path"] == str(path)
    assert told["file_bytes"] == path.stat().st_size
    assert told["disk_free_bytes"] > 0
    assert (told["watches"], told["runs"], told["unended"]) == (3, 4, 1)
    assert told["readings"] == 200
    assert told["oldest"] == "2031-05-04T10:20:20Z"
    assert told["newest"] == "2031-05-06T10:21:09Z"
    assert told["damage"] is None
    for words in ("4 runs, 1 of them without an end", "200 readings", "sound     yes", str(path)):
        assert words in plain.stdout


def test_the_runs_are_listed_oldest_first(tmp_path: Path, run: Run) -> None:
    """Number, start, length, readings, counter and end of each; JSON and text agree."""
    path = made(tmp_path / "journal.db", 7)
    done = run("journal", "runs", "--journal", str(path), "--json")
    plain = run("journal", "runs", "--journal", str(path))
    told = [json.loads(line) for line in done.stdout.splitlines()]

    assert [one["number"] for one in told] == [1, 2, 3, 4]
    assert [one["counter"] for one in told] == ["main", "ten", "five", "main"]
    assert [one["readings"] for one in told] == [7] * 4
    assert [one["lasted_s"] for one in told] == [99.0, 9.0, 2 * DAY_S, 6.0]
    assert [one["state"] for one in told] == ["ended"] * 3 + ["cut off"]
    assert told[0]["started"] == "2031-05-04T10:20:20.500Z"
    assert told[0]["nominal_hz"] == 10e6
    assert told[0]["simulated_bench"] is None
    assert len(plain.stdout.splitlines()) == 5
    assert plain.stdout.splitlines()[-1].split()[0] == "4"
    assert (done.stderr, plain.stderr) == ("", "")


def test_the_counters_of_one_watch_are_listed_in_the_order_of_the_bench(
    tmp_path: Path, run: Run
) -> None:
    """Both began at once; their numbers order them, also where the list ends between them."""
    path = tmp_path / "journal.db"
    journal = Journal(path)
    for key, name in ((9 << 50, "ten"), (8 << 50, "five")):
        journal.save_run(replace(RUN, key=key, counter=name))
    journal.close()
    whole = run("journal", "runs", "--journal", str(path), "--json")
    newest = run("journal", "runs", "--journal", str(path), "--last", "1", "--json")

    told = [json.loads(line) for line in whole.stdout.splitlines()]
    assert [(one["number"], one["counter"]) for one in told] == [(1, "ten"), (2, "five")]
    assert json.loads(newest.stdout)["counter"] == "five"


def test_of_many_runs_the_newest_are_listed(tmp_path: Path, run: Run) -> None:
    """``--last`` says how many; that there may be more is said."""
    path = made(tmp_path / "journal.db", 1)
    done = run("journal", "runs", "--journal", str(path), "--last", "2", "--json")
    whole = run("journal", "runs", "--journal", str(path), "--all", "--json")

    assert [json.loads(line)["number"] for line in done.stdout.splitlines()] == [3, 4]
    assert "--all lists all" in done.stderr
    assert len(whole.stdout.splitlines()) == 4


def test_hostile_names_are_listed_without_escapes(tmp_path: Path, run: Run) -> None:
    """Escapes and control characters in a name, resource and end reason are harmless."""
    path = tmp_path / "journal.db"
    journal = Journal(path)
    odd = "\x1b[31mred\x07\nnext"
    journal.save_run(
        replace(RUN, counter=odd, resource=odd, end_reason=odd, ended_utc_s=RUN.started_utc_s)
    )
    journal.close()
    plain = run("journal", "runs", "--journal", str(path))

    assert plain.returncode == 0
    assert len(plain.stdout.splitlines()) == 2
    assert not set("\x1b\x07") & set(plain.stdout)


def test_old_watches_are_moved_whole_and_can_be_replayed(tmp_path: Path, run: Run) -> None:
    """The first watch ended before that day; a run of the second did not, so both its runs stay."""
    path, into = made(tmp_path / "journal.db", 2000), tmp_path / "archive.db"
    words = ("journal", "archive", str(into), "--before", day(2), "--journal", str(path))
    done = run(*words, "--json")
    told = json.loads(done.stdout)
    replayed = run("replay", str(into), "--json")

    assert (told["runs"], told["events"], told["unended"]) == (1, 2000, 0)
    assert told["bytes_after"] < 0.8 * told["bytes_before"]
    assert (runs_in(path), runs_in(into)) == ([2, 3, 4], [1])
    assert len(kept(path)) == 6000
    assert replayed.stdout.count('"kind":"reading"') == 2000, replayed.stderr
    for file in (path, into):
        check_sound(file)


def test_what_was_killed_is_old_too_where_nobody_watches(tmp_path: Path, run: Run) -> None:
    """If no program has the journal open, a run without an end is over."""
    path, into = made(tmp_path / "journal.db"), tmp_path / "archive.db"
    done = run("journal", "archive", str(into), "--before", day(9), "--journal", str(path))

    assert done.returncode == 0, done.stderr
    assert (runs_in(path), runs_in(into)) == ([], [1, 2, 3, 4])
    assert len(kept(into)) == 200


def test_a_watch_goes_on_while_runs_are_archived(tmp_path: Path, run: Run) -> None:
    """All its readings stay in the journal, for any date."""
    path, into = made(tmp_path / "journal.db", 3000), tmp_path / "archive.db"
    with tiny_counter(0.01) as counter, Watching(counter.resource, journal=path) as watch:
        watch.wait_for_lines(10)
        words = ("journal", "archive", str(into), "--before", "2100-01-01", "--journal", str(path))
        done = run(*words)
        watch.wait_for_more(10)
        code = watch.end(signal.SIGINT)

    assert done.returncode == 0, done.stderr
    assert code == 130, watch.narration
    assert "2 old runs without an end stay" in done.stderr
    assert runs_in(into) == [1, 2, 3]
    assert set(watch.shown) <= set(kept(path))
    check_sound(path)
    assert len(kept(into)) == 9_000
    assert "Traceback" not in watch.narration


def test_killed_while_archiving_it_loses_no_reading(tmp_path: Path, run: Run) -> None:
    """After SIGKILL at any time, three times, and one whole run nothing is lost or left over."""
    path, into = made(tmp_path / "journal.db", 3000), tmp_path / "archive.db"
    everything = kept(path)
    chance = random.Random(unseen_seed())
    words = ["journal", "archive", str(into), "--before", day(9), "--journal", str(path)]
    for _ in range(3):
        child = subprocess.Popen(
            [*COMMAND, *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        while child.poll() is None and not into.exists():
            os.sched_yield()
        try:
            child.communicate(timeout=chance.uniform(0.0, 0.25))
        except subprocess.TimeoutExpired:
            child.kill()
            child.communicate()
        # With a rollback journal beside it, the program was killed while it made the tables.
        archived = (
            kept(into)
            if into.stat().st_size
            and not into.with_name(f"{into.name}-journal").exists()
            and ask(into, "SELECT count(*) FROM sqlite_master WHERE name = 'readings'") == [(1,)]
            else []
        )
        assert sorted({*kept(path), *archived}) == everything
        check_sound(path)
    done = run(*words)

    assert done.returncode == 0, done.stderr
    assert kept(into) == everything
    assert kept(path) == []
    assert runs_in(path) == []
    check_sound(into)


def test_what_was_left_elsewhere_is_merged(tmp_path: Path, run: Run) -> None:
    """Runs and readings are copied once; repeating it changes nothing."""
    path, left = made(tmp_path / "journal.db"), tmp_path / "journal-left-7.db"
    other = Journal(left)
    other.save_run(replace(RUN, ended_utc_s=START_UTC_S + 5, end_reason="interrupted"))
    for number in range(30):
        other.write(RUN.key, reading(number))
    other.close()
    words = ("journal", "merge", str(left), "--journal", str(path), "--json")
    first, second = (json.loads(run(*words).stdout) for _ in range(2))

    assert (first["runs"], first["new_events"]) == (1, 30)
    assert (second["runs"], second["new_events"]) == (1, 0)
    assert len(kept(path)) == 230
    assert ask(path, f"SELECT end_reason FROM runs WHERE run = {RUN.key}") == [("interrupted",)]


def test_a_run_that_was_left_with_its_end_gets_it(tmp_path: Path, run: Run) -> None:
    """The journal has the run without an end; the left file has its end."""
    path, left = made(tmp_path / "journal.db"), tmp_path / "left.db"
    other = Journal(left)
    other.save_run(replace(RUNS[3], ended_utc_s=START_UTC_S + 9 * DAY_S, end_reason="time is up"))
    other.close()
    run("journal", "merge", str(left), "--journal", str(path))

    assert ask(path, f"SELECT end_reason FROM runs WHERE run = {RUNS[3].key}") == [("time is up",)]


def test_damage_that_no_watch_meets_is_found_and_repaired(tmp_path: Path, run: Run) -> None:
    """A page in the middle: exit code 1; `repair` keeps the file and copies its rows."""
    path = made(tmp_path / "journal.db", 3000)
    content = bytearray(path.read_bytes())
    middle = len(content) // 4096 // 2 * 4096
    content[middle : middle + 4096] = b"\xa5" * 4096
    path.write_bytes(content)
    shown = run("journal", "--journal", str(path))
    repaired = run("journal", "repair", "--journal", str(path))
    again = run("journal", "repair", "--journal", str(path))
    in_json = run("journal", "repair", "--journal", str(path), "--json")

    assert shown.returncode == 1
    assert "sound     NO: " in shown.stdout
    (aside,) = tmp_path.glob("journal-damaged-*.db")
    assert aside.read_bytes() == content
    assert f"carried over from {aside}" in repaired.stdout
    assert json.loads(in_json.stdout)["was_sound"] is True
    check_sound(path)
    assert len(kept(path)) > 0.97 * 12_000
    assert again.stdout == f"{path} is sound\n"


@pytest.mark.parametrize(
    ("words", "code", "expected"),
    [
        (("--journal", "{}/none.db"), 5, "there is no journal at"),
        (("archive", "{}/a.db", "--before", DATE, "--journal", "{}/none.db"), 5, "no journal at"),
        (("archive", "{}/a.db", "--journal", "{}/j.db"), 2, "say which runs are old"),
        (("archive", "{}/a.db", "--before", "soon", "--journal", "{}/j.db"), 5, "is no date"),
        (("archive", "{}/j.db", "--before", DATE, "--journal", "{}/j.db"), 5, "itself"),
        (("archive", "{}/text", "--before", DATE, "--journal", "{}/j.db"), 5, "is no journal"),
        (("archive", ":memory:", "--before", DATE, "--journal", "{}/j.db"), 5, "in memory"),
        (("merge", "{}/text", "--journal", "{}/j.db"), 5, "nothing of a journal is left"),
        (("merge", "{}/none.db", "--journal", "{}/j.db"), 5, "there is no file"),
        (("--journal", "{}/j.db", "merge", "{}/text"), 2, "after the word merge"),
    ],
)  # fmt: skip
def test_what_cant_be_is_a_sentence(
    tmp_path: Path, run: Run, words: tuple[str, ...], code: int, expected: str
) -> None:
    """Bad names and dates: an exit code and a sentence, and no file is changed."""
    made(tmp_path / "j.db", 2)
    (tmp_path / "text").write_text("time_s,frequency_hz\n" * 99)
    done = run("journal", *(word.format(tmp_path) for word in words))

    assert done.returncode == code, done.stderr
    assert expected in done.stderr
    assert "Traceback" not in done.stderr
    assert (tmp_path / "text").read_text() == "time_s,frequency_hz\n" * 99
    assert len(kept(tmp_path / "j.db")) == 8
