"""A visit of a unit outlives its terminal and its year: five ovens, one of them trimmed."""

import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path
from typing import Any

import pytest
from line_schema_kit import held
from load_kit import LONGEST_WAIT_S
from oven_kit import OvenBench, oven_bench, served
from quick_kit import QUICKLY, SLOWLY, clock_s, program
from register_kit import check_by_hand, rows_of
from terminal_kit import Terminal

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals"),
]

MOST_TOUCHES = 6
"""Touches of the tool until its pull is known."""
UNITS = {"one": "0417", "two": "0418", "three": "0419", "four": "0420", "five": "0421"}
"""The units on the bench, by name of the counter."""
YEAR_S = 365.25 * 86400.0
AGEING = 0.6e-9
"""What the trimmed oven ages by within the year, fractional."""
QUICK = program(3, begin_quickly=True)
A_YEAR_LATER = f"import time; now = time.time; time.time = lambda: now() + {YEAR_S}\n{QUICK}"
LATER = Path(__file__).parents[1] / "kits" / "later_program.py"
AMOUNT = r"([+-]\d\S*) ± \S+ ppb"


@contextmanager
def _bench(home: Path, names: list[str], landing: float, seed: int) -> Iterator[OvenBench]:
    text = oven_bench(
        "ovens that power up side by side",
        oven='warm_up = [["1 ppm", "2 s"]]',
        trimmer='tool_pull = "6 ppb"',
        names=names,
        landing=landing,
    )
    with served([sys.executable, "-c", QUICK], text, home, seed=seed) as bench:
        yield bench


def _watched(stack: ExitStack, code: str, home: Path, *words: str) -> Terminal:
    command = [sys.executable, "-c", code, "watch", *words, "--journal", str(home / "journal.db")]
    return stack.enter_context(closing(Terminal(command, home, width=120, height=36)))


def _amount(rows: list[str], words: str) -> str:
    """Return the amount after `words`; empty while it does not stand there."""
    found = re.search(words + AMOUNT, "\n".join(rows))
    return "" if found is None else found[1]


def _reads(terminal: Terminal, words: str) -> str:
    return _amount(terminal.wait_until(lambda rows: _amount(rows, words)), words)


def _says(terminal: Terminal, pattern: str) -> None:
    terminal.wait_until(lambda rows: re.search(pattern, "\n".join(rows)))


def _wait(terminal: Terminal, by_s: int) -> None:
    """Let so many seconds pass on the clock of the screen."""
    before_s = clock_s(terminal.screen)
    terminal.wait_until(lambda rows: clock_s(rows) >= before_s + by_s)


def _pace(how: signal.Signals, bench: OvenBench, terminal: Terminal) -> None:
    """Let the clocks of both programs go so."""
    for process in (bench.process, terminal.child):
        process.send_signal(how)


def _records(bench: OvenBench, terminal: Terminal, key: bytes, kind: str) -> str:
    """Record the offset, by slow clocks: what a quick one shows may be too old to be recorded."""
    _pace(SLOWLY, bench, terminal)
    _wait(terminal, 2)
    terminal.type(key)
    shown = _reads(terminal, f"{kind}: ")
    _pace(QUICKLY, bench, terminal)
    return shown


def _hand(bench: OvenBench, terminal: Terminal, line: str, *, then: str, key: bytes = b"") -> None:
    """Press a key and let the hand follow at once, by slow clocks, until the screen says `then`."""
    _pace(SLOWLY, bench, terminal)
    if key:
        terminal.type(key)
        terminal.wait_for(" ".join(line.split()[:2]))  # tool on, tool off
    assert bench.ask(line) == "ok"
    _wait(terminal, 3)  # a gate under way keeps its pace
    _pace(QUICKLY, bench, terminal)
    _says(terminal, then)
    _says(terminal, r"good to \S+ ppb, (turn|stay|lift)")  # a busy machine gives few readings
    _wait(terminal, 10)


def _learns_pull(bench: OvenBench, terminal: Terminal) -> str:
    """Put the tool on and lift it until the screen says its pull; return that.

    On a busy machine a touch may fall into a gap of the readings: then it is done again, as a
    person would.
    """
    for _ in range(MOST_TOUCHES):
        _hand(bench, terminal, "tool on one", key=b" ", then="tool on")
        _hand(bench, terminal, "tool off one", key=b" ", then="tool off")
        if pull := _amount(terminal.screen, "it pulls by "):
            return pull
    raise AssertionError("no pull of the tool: \n" + "\n".join(terminal.screen))


def _type(terminal: Terminal, line: str, *, then: str) -> None:
    terminal.type(f":{line}\r".encode())
    terminal.wait_for(then)


def _lines(home: Path, later_s: float, *words: str) -> list[dict[str, Any]]:
    """Run a command as if it were later; return its JSON lines."""
    journal = ("--journal", str(home / "journal.db"))
    done = subprocess.run(
        [sys.executable, str(LATER), str(later_s), *words, *journal, "--json"],
        capture_output=True,
        text=True,
        check=True,
        timeout=LONGEST_WAIT_S,
    )
    return [held(json.loads(line)) for line in done.stdout.splitlines()]


def _of_kind(lines: list[dict[str, Any]], kind: str) -> list[dict[str, Any]]:
    return [line for line in lines if line["kind"] == kind]


def _trimmed(home: Path) -> float:
    """Trim unit 0417 among five, killed on the way; return the true offset that it was left at."""
    with ExitStack() as stack:
        bench = stack.enter_context(_bench(home, list(UNITS), 12.4e-9, seed=3))
        words = [f"{name}={resource}" for name, resource in bench.resources.items()]
        for name, ident in UNITS.items():
            words += ["--unit", f"{name}={ident}"]
        words += ["--new", "--nominal", "10MHz", "--tolerance", "1ppb", "--settle", "5ppb/5s"]

        first = _watched(stack, QUICK, home, *words)
        _says(first, r"0417 .*settled")
        first.type(b"1")
        first.wait_for("[SETTLED]")
        first.type(b"1")
        _says(first, r"good to \S+ ppb, turn")
        _wait(first, 10)
        found = _records(bench, first, b"a", "as found")
        pull = _learns_pull(bench, first)
        _hand(bench, first, "tool on one", key=b" ", then="tool on")
        first.child.kill()
        first.child.wait()

        second = _watched(stack, QUICK, home, *words)
        rows = second.wait_until(
            lambda rows: all(
                said in " ".join(rows[:6])
                for said in ("visit of 0417 goes on", "the tool is on the trimmer")
            )
        )
        first_line = " ".join(row.strip() for row in rows[:6])
        assert _amount([first_line], "as found ") == found
        pulls = _amount([first_line], "the tool pulls by ")
        assert abs(float(pulls) - float(pull)) < 0.1  # the mean of two touches by now
        second.type(b"1")
        _says(second, r"good to \S+ ppb, turn")
        _wait(second, 5)
        _hand(bench, second, f"turn {-float(found) / 50.0:.4f} one", then="last nudge down")
        _hand(bench, second, "tool off one", key=b" ", then="tool off")
        second.wait_for("[LANDED]")
        _wait(second, 10)
        left = _records(bench, second, b"l", "as left")
        truth = float(bench.ask("truth one"))
        _type(second, "close visit", then="Close the visit?")
        second.type(b"y\r")
        second.wait_for("the visit is closed")
        second.type(b"q")
        code = second.end()

    said = second.seen.rpartition(b"\x1b[?1049l")[2].decode()
    assert code == 0
    closed = re.search(
        rf"one: visit \d+ of 0417 is closed: as found \{found[0]}.*as left.*inside", said
    )
    assert closed is not None, said
    (how,) = [row for row in said.splitlines() if "goes on with" in row]
    assert how.count("--unit ") == len(UNITS) - 1
    assert abs(float(left) - truth * 1e9) < 0.1
    return truth


def test_a_unit_comes_back_after_the_cable_and_the_year(tmp_path: Path):
    """Five power up, one is killed with the tool on, goes on and lands; then a year passes."""
    left = _trimmed(tmp_path)

    with ExitStack() as stack:
        bench = stack.enter_context(_bench(tmp_path, ["main"], left + AGEING, seed=4))
        later = _watched(stack, A_YEAR_LATER, tmp_path, bench.resource, "--unit", "0417")
        later.wait_for("[SETTLED]")  # by the limit of the unit
        later.type(b"1")
        _says(later, r"good to \S+ ppb, stay")
        _wait(later, 20)
        assert "goes on" not in "\n".join(later.screen)
        again = _records(bench, later, b"a", "as found")
        truth = float(bench.ask("truth"))
        later.type(b"q")
        assert later.end() == 0

    shown = _lines(tmp_path, YEAR_S, "units", "show", "0417")
    due = _lines(tmp_path, YEAR_S, "units", "--due")
    still_open = _lines(tmp_path, YEAR_S, "visits", "--open")
    (interval,) = _of_kind(shown, "interval")
    (unit,) = _of_kind(shown, "unit")

    assert abs(float(again) - truth * 1e9) < 0.1
    assert len(_of_kind(shown, "visit")) == 2
    assert abs(interval["days"] - 365.25) < 0.1
    assert abs(interval["change"] - (truth - left)) < 3.0 * interval["u"]
    assert 0.0 < interval["u"] < AGEING / 3.0
    assert (unit["nominal_hz"], unit["tolerance"]) == (1e7, 1e-9)
    assert [line["ident"] for line in _of_kind(due, "unit")] == ["0417"]
    assert sorted(line["unit"] for line in still_open) == ["0417", "0418", "0419", "0420", "0421"]
    assert_register_is_whole(tmp_path / "register.db")


def assert_register_is_whole(path: Path) -> None:
    """Five visits of five units, one more a year later; its chain holds, checked by hand."""
    check_by_hand(path)
    rows = rows_of(path)
    kinds: Callable[[str], list[str | None]] = lambda kind: [  # noqa: E731 - one line
        row["unit"] for row in rows if row["kind"] == kind
    ]

    assert sorted(filter(None, kinds("unit"))) == list(UNITS.values())
    assert sorted(filter(None, kinds("visit"))) == ["0417", *UNITS.values()]
    assert kinds("record") == ["0417"] * 3
    assert kinds("closed") == ["0417"]
    records = [json.loads(row["document"]) for row in rows if row["kind"] == "record"]
    assert [one["record"]["kind"] for one in records] == ["as found", "as left", "as found"]
    assert not any(one["automatic"] for one in records)
