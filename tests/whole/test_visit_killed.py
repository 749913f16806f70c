"""What the screen showed as recorded is on the disk, whenever the program is killed."""

import json
import os
import random
import re
import sqlite3
import sys
import time
from collections import Counter
from contextlib import closing
from pathlib import Path

import pytest
from oven_kit import oven_bench, served
from terminal_kit import Terminal

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals"),
]

BENCH = oven_bench("an oven that has been on for a day", gate="0.1 s", white_fm=2e-12)
PROGRAM = [sys.executable, "-m", "benchwatch.cli"]
SHOWN = {
    "note": re.compile(r"noted: (remark \d+) of it"),
    "condition": re.compile(r"condition: room (\d+\.5) C"),
    "record": re.compile(r"(measured): [+-].* from \d+ reading"),
}
LONGEST_S = 0.4
"""A program is killed up to so long after a line was typed, which is about when it is shown."""


def _said(terminal: Terminal, kind: str) -> str:
    """Return what the screen shows as recorded; empty: nothing."""
    found = SHOWN[kind].search("\n".join(terminal.screen))
    return "" if found is None else found[1]


class ScriptedTrim:
    """Somebody who types notes, conditions and records, and remembers what was shown of them."""

    def __init__(self, terminal: Terminal, shown: Counter[str], chance: random.Random) -> None:
        self._terminal, self._shown, self._chance = terminal, shown, chance

    def types(self, number: int, *, kill: bool) -> None:
        """Type the line of this number; wait until it is shown, or kill the program on the way."""
        terminal = self._terminal
        kind = ("note", "record", "condition", "record")[number % 4]
        line = {
            "note": f"note remark {number} of it",
            "condition": f"condition room {number}.5 C",
            "record": "record",
        }[kind]
        terminal.wait_until(lambda _: not _said(terminal, kind))
        terminal.type(f":{line}\r".encode())
        if kill:
            until_s = time.monotonic() + self._chance.uniform(0.0, LONGEST_S)
            while time.monotonic() < until_s and not _said(terminal, kind):
                terminal.read(0.005)
            terminal.child.kill()
            terminal.child.wait()
            while terminal.read(0.0):
                pass
        else:
            terminal.wait_until(lambda _: _said(terminal, kind))
        self._shown[_said(terminal, kind)] += 1


def on_disk(folder: Path) -> tuple[Counter[str], Counter[str]]:
    """Return what register and journal hold, read by plain SQLite."""
    with closing(sqlite3.connect(folder / "register.db")) as register:
        rows = register.execute("SELECT kind, document FROM entries").fetchall()
    entries: Counter[str] = Counter()
    for kind, document in rows:
        values = json.loads(document)
        if kind == "note":
            entries[values["text"].removesuffix(" of it")] += 1
        elif kind == "condition":
            entries[values["text"].removesuffix(" C")] += 1
        elif kind == "record":
            entries[values["record"]["kind"]] += 1
    with closing(sqlite3.connect(folder / "journal.db")) as journal:
        marks = [text for (text,) in journal.execute("SELECT text FROM marks")]
        notes = [json.loads(one) for (one,) in journal.execute("SELECT document FROM notes")]
        kinds = [kind for (kind,) in journal.execute("SELECT kind FROM records")]
    logged = [one.get("text", "") for one in notes if isinstance(one, dict)]
    noted = Counter(text.removesuffix(" of it") for text in marks)
    noted += Counter(
        text.removeprefix("room ").removesuffix(" C") for text in logged if "room" in text
    )
    return entries, noted + Counter(kinds)


def kill_at_random(folder: Path, rounds: int, seed: int) -> tuple[int, int]:
    """Kill a watch so often; return how many lines were shown as recorded, and how many not."""
    chance, shown, number = random.Random(seed), Counter[str](), 0
    with served(PROGRAM, BENCH, folder, seed=3) as bench:
        words = ["watch", bench.resource, "--unit", "0417", "--new", "--nominal", "10MHz"]
        words += ["--view", "trim", "--journal", str(folder / "journal.db")]
        for _ in range(rounds):
            with closing(Terminal([*PROGRAM, *words], folder)) as terminal:
                terminal.wait_until(lambda rows: re.search(r"from \d\d+ readings", str(rows)))
                person = ScriptedTrim(terminal, shown, chance)
                for _ in range(chance.randrange(3)):
                    person.types(number, kill=False)
                    number += 1
                person.types(number, kill=True)
                number += 1
            not_shown = shown.pop("", 0)
            entries, journal = on_disk(folder)

            assert not shown - entries
            assert not shown - journal
            shown[""] = not_shown
    return shown.total() - shown[""], shown[""]


def test_what_was_shown_as_recorded_survives_a_kill(tmp_path: Path):
    """Notes, conditions and records, in the register and in the journal; one visit in the end."""
    kept, _ = kill_at_random(tmp_path, rounds=6, seed=20310504)

    assert kept >= 3
    with closing(sqlite3.connect(tmp_path / "register.db")) as register:
        kinds = Counter(kind for (kind,) in register.execute("SELECT kind FROM entries"))
    assert (kinds["visit"], kinds["run"], kinds["closed"]) == (1, 6, 0)
