"""A trim that was interrupted goes on: as found, the tool's pull, notes and the last turn."""

import json
import os
import re
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
import screen_kit as kit
from load_kit import LONGEST_WAIT_S
from oven_kit import OvenBench, oven_bench, served
from quick_kit import QUICKLY, SLOWLY, clock_s, program
from terminal_kit import Terminal

from benchwatch.estimate.results import Nudge
from benchwatch.journal import Journal
from benchwatch.journal.resume import EarlierRuns, find_interrupted
from benchwatch.journal.schema import JournalRun
from benchwatch.journal.trim_entries import KEPT_BY_ITSELF, PULL_KIND
from benchwatch.pipeline.event_log import resumed_words
from benchwatch.pipeline.record_keeper import journal_record
from benchwatch.pipeline.trim_tracker import TrimTracker
from benchwatch.reading import Event, Gap, Mark, Note

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals"),
]

BENCH = oven_bench("an oven oscillator that has been on for a day", trimmer='tool_pull = "6 ppb"')
QUICK = program(5, begin_quickly=True)
AMOUNT = r"([+-]\d\S*) ± \S+ ppb"


@contextmanager
def interruptible(tmp_path: Path) -> Iterator[tuple[OvenBench, Callable[[], Terminal]]]:
    """Serve the bench, and open terminals in which it is watched by the same command each time."""
    with ExitStack() as stack:
        bench = stack.enter_context(served([sys.executable, "-c", QUICK], BENCH, tmp_path, seed=3))
        yield bench, lambda: stack.enter_context(closing(_watched(bench, tmp_path)))


def _watched(bench: OvenBench, home: Path) -> Terminal:
    command = [sys.executable, "-c", QUICK, "watch", bench.resource, "--nominal", "10MHz"]
    command += ["--tolerance", "1ppb", "--settle", "5ppb/5s", "--view", "trim"]
    command += ["--journal", str(home / "journal.db")]
    return Terminal(command, home, width=120, height=36)


def amount(rows: list[str], words: str) -> str:
    """Return the amount after `words`; empty while it does not stand there."""
    found = re.search(words + AMOUNT, "\n".join(rows))
    return "" if found is None else found[1]


def _clocks(how: signal.Signals, bench: OvenBench, terminal: Terminal) -> None:
    """Let the clocks of both programs go so."""
    bench.process.send_signal(how)
    terminal.child.send_signal(how)


def _wait(terminal: Terminal, by_s: int) -> None:
    """Let so many seconds pass on the clock of the screen: what comes later is a turn."""
    before_s = clock_s(terminal.screen)
    terminal.wait_until(lambda rows: clock_s(rows) >= before_s + by_s)


def _rests(rows: list[str], word: str) -> bool:
    """Tell whether the tool is said to be on or off and the offset is good enough to turn."""
    screen = "\n".join(rows)
    return f"tool {word}" in screen and re.search(r"good to \S+ ppb, turn", screen) is not None


@pytest.mark.parametrize("end", ["kill", "terminal"])
def test_the_same_command_goes_on_with_an_interrupted_trim(tmp_path: Path, end: str):
    """As found, pull and notes are there again, and the next turn makes no other as found."""
    with interruptible(tmp_path) as (bench, watched):
        first = watched()
        first.wait_for("[SETTLED]")
        for word, key in (("on", b" "), ("off", b" ")):
            _clocks(SLOWLY, bench, first)  # the hand must follow the key within seconds of theirs
            first.type(key)
            first.wait_for(f"tool {word}")
            assert bench.ask(f"tool {word}") == "ok"
            _wait(
                first, 3
            )  # a gate under way keeps its pace: none may be that shows the touch first
            _clocks(QUICKLY, bench, first)
            _wait(first, 5)
            first.wait_until(lambda rows, say=word: _rests(rows, say))
            _wait(first, 5)
        first.wait_until(lambda rows: amount(rows, "tool off, it pulls by "))
        _wait(first, 5)
        assert bench.ask("turn -0.1") == "ok"
        rows = first.wait_until(lambda rows: amount(rows, "as found "))
        found = amount(rows, "as found ")
        first.type(b"mcover off\r")
        first.wait_for("marked: cover off")
        pull = first.wait_until(lambda rows: amount(rows, "pulls by "))
        if end == "kill":
            first.child.kill()
            first.child.wait()
        else:
            first.vanish()
            first.child.wait(timeout=LONGEST_WAIT_S)

        second = watched()
        rows = second.wait_for("goes on, last read")
        rows = second.wait_until(lambda rows: amount(rows, "as found "))
        again = amount(rows, "as found ")
        pulls = amount(second.wait_until(lambda rows: amount(rows, "pulls by ")), "pulls by ")
        second.wait_until(lambda rows: re.search(r"good to \S+ ppb, turn", "\n".join(rows)))
        assert bench.ask("turn -0.08") == "ok"
        second.wait_for("last nudge down")
        second.type(b"5")
        second.wait_for("cover off")
        second.type(b"q")
        second.end()

    assert again == found
    assert pulls == amount(pull, "pulls by ")
    with closing(sqlite3.connect(tmp_path / "journal.db")) as journal, journal:
        kinds = [kind for (kind,) in journal.execute("SELECT kind FROM records")]
    assert kinds == ["as found"]


NOBODY = 2**22 + 1
"""No process has this number: Linux ends at 2**22 (proc_sys_kernel(5), pid_max)."""
NOW_S = 2_000_000_000.0
RESOURCE = "TCPIP0::127.0.0.1::5025::SOCKET"


def made_journal(
    folder: Path,
    *,
    ago_s: float = 60.0,
    ended: str = "",
    tool: tuple[str, ...] = (),
    more: tuple[Event | Note, ...] = (),
    **settings: object,
) -> Path:
    """Make a journal of one run that turned the trimmer, by the product's own writer."""
    words = [json.dumps({"text": f"tool {one}", "nudge": None}) for one in tool]
    path = folder / "journal.db"
    began_s = NOW_S - ago_s - 100.0
    asked = json.dumps({"process": NOBODY, **settings})
    run = JournalRun(
        key=7,
        watch=7,
        counter="main",
        resource=RESOURCE,
        driver="scpi",
        started_utc_s=began_s,
        nominal_hz=Decimal(10_000_000),
        settings=asked,
    )
    journal = Journal(path)
    journal.save_run(run)
    nudge = json.dumps({"text": "", "nudge": {"size": -2e-9, "u": 1e-11}})
    for note in (
        Note(
            counter="main",
            utc_s=began_s + 40.0,
            elapsed_s=40.0,
            kind=PULL_KIND,
            document='{"samples": [[6e-9, 1e-10], [5e-9, null]]}',
        ),
        Note(counter="main", utc_s=began_s + 50.0, elapsed_s=50.0, kind="nudge", document=nudge),
        Note(
            counter="main",
            utc_s=began_s + 51.0,
            elapsed_s=51.0,
            kind="setting",
            document='{"text": "tolerance 1 ppb", "nudge": null}',
        ),
        Note(counter="main", utc_s=began_s + 52.0, elapsed_s=52.0, kind="sorcery", document="{}"),
        Note(counter="main", utc_s=began_s + 53.0, elapsed_s=53.0, kind="tool", document="[[["),
        Note(
            counter="main",
            utc_s=began_s + 54.0,
            elapsed_s=54.0,
            kind=PULL_KIND,
            document='{"samples": "many"}',
        ),
        *(
            Note(counter="main", utc_s=began_s + 55.0, elapsed_s=55.0, kind="tool", document=one)
            for one in words
        ),
        Mark(counter="main", utc_s=began_s + 100.0, elapsed_s=100.0, text="lid \x1b[31moff"),
        *more,
    ):
        journal.write(7, note)
    if ended:
        journal.save_run(replace(run, ended_utc_s=began_s + 100.0, end_reason=ended))
    journal.close()
    return path


def found_in(path: Path, nominal: int | None = 10_000_000) -> EarlierRuns | None:
    """Look for a run to go on with."""
    asked = None if nominal is None else Decimal(nominal)
    return find_interrupted(path, RESOURCE, asked, None, utc_s=NOW_S)


def test_what_was_noted_comes_back_and_nonsense_does_not(tmp_path: Path):
    """The pull, the turn, the notes with times before zero; no escape is passed on."""
    earlier = found_in(made_journal(tmp_path))

    assert earlier is not None
    assert earlier.samples == ((6e-9, 1e-10), (5e-9, None))
    assert earlier.turn == Nudge(-110.0, -2e-9, 1e-11)
    assert [(one.kind, one.text) for one in earlier.notes] == [
        ("nudge", ""),
        ("setting", "tolerance 1 ppb"),
        ("mark", "lid ?[31moff"),
    ]


def test_a_nudge_comes_back_with_its_last_size(tmp_path: Path):
    """A nudge that crept was written again with its final size: one note, one turn, that size."""
    began_s = NOW_S - 160.0
    final = json.dumps({"text": "", "nudge": {"size": -2.3e-9, "u": 2e-11}})
    again = Note(counter="main", utc_s=began_s + 50.0, elapsed_s=50.0, kind="nudge", document=final)

    earlier = found_in(made_journal(tmp_path, more=(again,)))

    assert earlier is not None
    assert earlier.turn == Nudge(-110.0, -2.3e-9, 2e-11)
    nudges = [one.nudge for one in earlier.notes if one.kind == "nudge"]
    assert nudges == [Nudge(-110.0, -2.3e-9, 2e-11)]


@pytest.mark.parametrize(
    ("made", "nominal"),
    [
        ({"ago_s": 13 * 3600.0}, 10_000_000),
        ({"ended": "stopped"}, 10_000_000),
        ({"ended": "count reached"}, 10_000_000),
        ({"simulated_bench": "station"}, 10_000_000),
        ({"process": os.getppid()}, 10_000_000),
        ({}, 5_000_000),
    ],
)
def test_other_runs_are_not_gone_on_with(tmp_path: Path, made: dict[str, Any], nominal: int):
    """Long ago, ended as asked, of a simulated bench, still going on, of another nominal."""
    assert found_in(made_journal(tmp_path, **made), nominal) is None


def test_a_watch_that_waits_for_a_lost_link_was_not_interrupted(tmp_path: Path):
    """It writes nothing for ten minutes, and its process is one of ours; another's is none."""
    command = [sys.executable, "-c", "input()", "benchwatch"]
    with (
        subprocess.Popen(command, stdin=subprocess.PIPE) as ours,
        subprocess.Popen(["cat"], stdin=subprocess.PIPE) as other,
    ):
        goes_on = found_in(made_journal(tmp_path, ago_s=600.0, process=ours.pid))
        (tmp_path / "journal.db").unlink()
        is_over = found_in(made_journal(tmp_path, ago_s=600.0, process=other.pid))
        ours.communicate(b"\n")
        other.communicate(b"\n")

    assert is_over is not None
    assert goes_on is None or not Path("/proc/self/cmdline").exists()


def test_notes_come_back_as_they_were_said(tmp_path: Path):
    """How long a gap was, that a record was kept by itself, and what spoke against it."""
    began_s = NOW_S - 160.0
    found = replace(kit.record("as found", 2e-9), conditions=(("caution", "still moving"),))
    more = (
        Gap(
            counter="main",
            utc_s=began_s + 110.0,
            elapsed_s=110.0,
            lasted_s=6.2,
            reason="no reply within 2.5 s",
        ),
        journal_record(found, 120.0),
        Note(
            counter="main",
            utc_s=began_s + 120.0,
            elapsed_s=120.0,
            kind=KEPT_BY_ITSELF,
            document="{}",
        ),
    )
    earlier = found_in(made_journal(tmp_path, more=more))

    assert earlier is not None
    assert [(one.kind, one.text) for one in earlier.notes[-2:]] == [
        ("gap", "no readings for 6.2 s: no reply within 2.5 s"),
        ("record", " (recorded automatically); caution: still moving"),
    ]
    assert earlier.records.as_found_automatic


def test_the_tool_is_where_it_was(tmp_path: Path):
    """Said to be on when the program was killed, it is on: the next key says that it is off."""
    before = found_in(made_journal(tmp_path))
    assert before is not None
    assert not before.tool_on
    (tmp_path / "journal.db").unlink()

    earlier = found_in(made_journal(tmp_path, tool=("on", "off", "on")))

    assert earlier is not None
    assert earlier.tool_on
    assert "the tool is on the trimmer" in resumed_words(earlier, NOW_S, None)
    trimming = TrimTracker(1e-9, None)
    trimming.resume(earlier.samples, earlier.turn, known=True, tool_on=earlier.tool_on)
    assert trimming.gap().tool.on  # type: ignore[union-attr] # it is one


@pytest.mark.parametrize(
    ("reason", "goes_on_with", "gone_on_with"),
    [
        ("count reached", None, 7),
        ("time is up", None, 7),
        ("count reached", 7, 8),
        ("stopped", None, None),
        ("stopped", 7, None),
        ("", None, 8),
    ],
)
def test_a_short_run_beside_or_after_changes_nothing(
    tmp_path: Path, reason: str, goes_on_with: int | None, gone_on_with: int | None
):
    """One that ended as asked leaves the interrupted one; one that was left ends both."""
    path = made_journal(tmp_path)
    asked = {"process": NOBODY} | ({} if goes_on_with is None else {"goes_on_with": goes_on_with})
    began_s = NOW_S - 30.0
    nominal, ended_s = Decimal(10_000_000), None if not reason else began_s + 5.0
    run = JournalRun(
        key=8,
        watch=8,
        counter="main",
        resource=RESOURCE,
        driver="scpi",
        started_utc_s=began_s,
        nominal_hz=nominal,
        settings=json.dumps(asked),
    )
    journal = Journal(path)
    journal.save_run(replace(run, ended_utc_s=ended_s, end_reason=reason))
    journal.close()

    earlier = found_in(path)

    assert (None if earlier is None else earlier.runs[-1]) == gone_on_with
    if gone_on_with is not None and (gone_on_with == 7 or goes_on_with == 7):
        assert earlier is not None
        assert earlier.turn is not None


def test_an_interrupted_run_is_gone_on_with_though_its_end_was_written(tmp_path: Path):
    """A terminal that closes ends the run in order, and it was interrupted all the same."""
    assert found_in(made_journal(tmp_path, ended="interrupted"), None) is not None


def test_what_a_tool_moved_by_is_kept_until_it_is_lifted(tmp_path: Path):
    """Put on, seen in the readings, turned, killed: its first touch comes back, a lift ends it."""
    began_s = NOW_S - 160.0
    step = json.dumps({"text": "by the tool", "nudge": {"size": 6e-9, "u": 1e-10}})
    turn = json.dumps({"text": "", "nudge": {"size": -5e-9, "u": 1e-10}})
    touches = [json.dumps({"text": f"tool {word}", "nudge": None}) for word in ("on", "off")]
    entries = [("pull", '{"samples": []}'), ("tool", touches[0]), ("tool", step), ("nudge", turn)]
    more = [
        Note(counter="main", utc_s=began_s + at, elapsed_s=at, kind=kind, document=document)
        for at, (kind, document) in enumerate(entries, start=60)
    ]
    lift = Note(
        counter="main", utc_s=began_s + 70, elapsed_s=70.0, kind="tool", document=touches[1]
    )
    on = found_in(made_journal(tmp_path, more=tuple(more)))
    (tmp_path / "journal.db").unlink()
    off = found_in(made_journal(tmp_path, more=(*more, lift)))

    assert on is not None
    assert on.tool_on
    assert on.first_touch == (6e-9, 1e-10)
    assert off is not None
    assert off.first_touch is None
