"""The whole job in a real terminal, from power-on to as left, by what the screen says alone."""

import json
import math
import os
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest
from figures_kit import half_a_digit, prints_as
from journal_kit import read_events, read_runs
from oven_kit import oven_bench
from quick_kit import QUICKLY, clock_s, program
from terminal_kit import Terminal

from benchwatch.reading import Gap, Mark, Reading, Record

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals"),
]

BENCH = oven_bench(
    "an oven from power-on that warms up within seconds and runs fast",
    oven='flicker_fm = "5e-12"\nwarm_up = [["1 ppm", "2 s"]]',
    trimmer='backlash_turns = 0.006\ncreep = 0.04\ncreep_time = "0.5 s"\ntool_pull = "6 ppb"',
)
SPEED = 6
QUICK = program(SPEED, begin_quickly=False)
LEFT, RIGHT, DOWN = b"\x1b[D", b"\x1b[C", b"\x1b[B"
MOST_TURNS = 25
AMOUNT = r"([+-]\S+) ± (\S+) (ppb|parts in 10\^12)"
PPB = {"ppb": 1.0, "parts in 10^12": 1e-3}
SUMMARY = re.compile(rb"benchwatch: (\d+) readings?, (\d+) gaps? in .+\.")


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    """The place of the journal."""
    return tmp_path / "journal.db"


@pytest.fixture
def terminal(tmp_path: Path, journal: Path) -> Iterator[Terminal]:
    """A watch on that bench from power-on, in a terminal of 120x36."""
    bench = tmp_path / "oven.toml"
    bench.write_text(BENCH, encoding="utf-8")
    command = [sys.executable, "-c", QUICK, "watch", "--sim", str(bench), "--seed", "20310504"]
    opened = Terminal([*command, "--journal", str(journal)], tmp_path, width=120, height=36)
    yield opened
    opened.close()


class Amount(NamedTuple):
    """What the screen shows, in a unit of so many ppb."""

    digits: str
    u_digits: str
    unit_ppb: float

    @property
    def ppb(self) -> float:
        """The number that is shown."""
        return float(self.digits) * self.unit_ppb

    @property
    def half_digit_ppb(self) -> float:
        """How far from it the true number may lie."""
        return half_a_digit(self.digits) * self.unit_ppb

    @property
    def u_at_most_ppb(self) -> float:
        """The largest uncertainty that is shown so."""
        return (float(self.u_digits) + half_a_digit(self.u_digits)) * self.unit_ppb

    def shows(self, value: float, u: float) -> bool:
        """Tell whether these fractions are printed so, to the last digit."""
        unit = self.unit_ppb * 1e-9
        return prints_as(value / unit, self.digits) and prints_as(u / unit, self.u_digits)


class Person:
    """Somebody who reads the screen and presses keys, and knows nothing else."""

    def __init__(self, terminal: Terminal) -> None:
        self._terminal = terminal

    def sees(self, pattern: str) -> "re.Match[str]":
        """Wait until the screen says so."""
        rows = self._terminal.wait_until(lambda rows: _found(pattern, rows))
        match = _found(pattern, rows)
        assert match is not None
        return match

    def sees_soon(self, pattern: str) -> bool:
        """Wait for a pattern for 20 s, by the clock on the screen; return whether it is there."""
        end_s = clock_s(self._terminal.screen) + 20
        rows = self._terminal.wait_until(
            lambda rows: _found(pattern, rows) or clock_s(rows) >= end_s
        )
        return _found(pattern, rows) is not None

    def reads(self, words: str) -> Amount:
        """Wait for an amount after these words."""
        value, u, unit = self.sees(words + AMOUNT).groups()
        return Amount(value, u, PPB[unit])

    def presses(self, keys: bytes) -> None:
        """Press keys, and give the counter three seconds, by the clock on the screen.

        Keys are done one after the other: once the help shows, those before it were done.
        """
        self._terminal.type(keys + b"h")
        self.sees("Esc closes")
        self._terminal.type(b"\x1b")
        self._terminal.wait_until(lambda rows: not _found("Esc closes", rows))
        before_s = clock_s(self._terminal.screen)
        self._terminal.wait_until(lambda rows: clock_s(rows) >= before_s + 3)

    def writes_down(self, note: str) -> None:
        """Put a note on the time line."""
        self._terminal.type(b"m")
        self.sees("on the time line")
        self._terminal.type(note.encode() + b"\r")
        self.sees(f"marked: {note}")

    def sees_where(self) -> str:
        """Wait until the screen says that it is time to judge; return what it says then."""
        rows = self._terminal.wait_until(_judged)
        return _judged(rows)


def _found(pattern: str, rows: list[str]) -> "re.Match[str] | None":
    return re.search(pattern, "\n".join(rows), re.MULTILINE)


def _judged(rows: list[str]) -> str:
    """Return the word for where it is, or nothing while the screen says to wait."""
    where = _found(r"^  (high, bring it down|low, bring it up|inside) ", rows)
    ready = _found(r"^  averaging \[.*\] good to .*, (?:turn|turn again|stay)$", rows)
    return where[1].split(",")[0] if where and ready else ""


def test_from_power_on_to_as_left_by_the_screen_alone(terminal: Terminal, journal: Path):
    """Warming, settled, as found, tool, turns, landed, as left; screen and journal agree."""
    person = Person(terminal)
    person.sees(r"\[WARMING\]")
    person.sees("settled means: moves by")  # on the warm-up, which is shown while it lasts
    terminal.child.send_signal(QUICKLY)  # a slow machine has shown it now: on with it
    person.sees(r"\[SETTLED\]")
    person.presses(b"a")
    found = person.reads("^  as found ")
    person.writes_down("cover off")
    for _ in range(3):  # again, where a busy machine read too little of it
        person.presses(b" ")
        person.sees("tool on, moved by .* as it went on; not turned yet")
        person.presses(b" ")
        if person.sees_soon("tool off, it pulls by "):
            break
    pull = person.reads("tool off, it pulls by ")
    turns: list[bytes] = []
    while (where := person.sees_where()) != "inside":
        assert len(turns) < MOST_TURNS, f"still {where}"
        coarse = where == "high" and all(key == DOWN for key in turns)
        turns.append(DOWN if coarse else LEFT if where == "high" else RIGHT)
        person.presses(turns[-1])
    person.sees(r"\[LANDED\]")
    person.presses(b"l")
    left = person.reads("   as left ")
    terminal.type(b"q")
    code = terminal.end()

    assert code == 0
    assert {DOWN, RIGHT} <= set(turns)
    assert abs(found.ppb - 12.4) < 2 * found.u_at_most_ppb + found.half_digit_ppb
    assert abs(pull.ppb - 6.0) < 1.0 + pull.half_digit_ppb
    assert abs(left.ppb) <= 1.0 + left.half_digit_ppb
    assert_journal_agrees(journal, terminal.seen, (found, left))


def assert_journal_agrees(journal: Path, seen: bytes, shown: tuple[Amount, Amount]) -> None:
    """What is on disk is what the screen and the summary at the end said, to the printed digit."""
    (run,) = read_runs(journal)
    events = list(read_events(journal, run))
    records = [json.loads(event.document) for event in events if isinstance(event, Record)]
    summary = SUMMARY.search(seen.rpartition(b"\x1b[?1049l")[2])

    assert summary is not None, seen[-500:]
    assert int(summary[1]) == sum(isinstance(event, Reading) for event in events)
    assert int(summary[2]) == sum(isinstance(event, Gap) for event in events)
    assert (run.ended_utc_s is not None, run.end_reason) == (True, "stopped")
    assert "cover off" in [event.text for event in events if isinstance(event, Mark)]
    assert [record["kind"] for record in records] == ["as found", "as left"]
    for record, amount in zip(records, shown, strict=True):
        lines = record["budget"]["lines"]
        u = math.hypot(*(line["contribution"] for line in lines))
        assert amount.shows(lines[0]["estimate"], u), (record, amount)
