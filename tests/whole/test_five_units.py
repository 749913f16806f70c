"""Five units on a bench: the one that needs the person is found, proven, trimmed and checked."""

import json
import os
import re
import sys
from contextlib import closing
from pathlib import Path

import pytest
from quick_kit import QUICKLY, SLOWLY, clock_s, program
from register_kit import check_by_hand, rows_of
from terminal_kit import Terminal

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals"),
]

SETTINGS = ("1 MHz", "50 MHz", "100 MHz", "12.5 MHz")
"""Settings of the dial that the simulated bench asks for, in order; it misses at the last."""
DOWN = b"\x1b[B"
"""The key that turns the simulated trimmer down, coarse."""


def _says(terminal: Terminal, pattern: str) -> re.Match[str]:
    rows = terminal.wait_until(lambda rows: re.search(pattern, _text(rows)))
    found = re.search(pattern, _text(rows))
    assert found is not None
    return found


def _text(rows: list[str]) -> str:
    """Return the words on a screen with single blanks between them."""
    return " ".join(" ".join(rows).split())


def _check_settings(terminal: Terminal) -> None:
    """Walk through the settings of the list: dial, wait for the verdict, go on, dial back."""
    terminal.type(b"4")
    terminal.wait_for("not checked")
    terminal.type(b"\r")
    for setting in SETTINGS:
        _says(terminal, rf"Dial the unit to {setting} .* nothing that follows it .* Covers off")
        terminal.type(b"\r")  # on a simulated bench it also dials
        _says(terminal, rf"At {setting} the verdict stands")
        terminal.type(b"\r")
    terminal.wait_for("dial it back to 10 MHz")
    terminal.type(b"\r")
    terminal.wait_for("reading 0.")


def test_the_unit_that_needs_the_person_is_proven_trimmed_and_checked(tmp_path: Path) -> None:
    """One program, one screen of 80x24: from the bench view to four settings of the dial."""
    command = [sys.executable, "-c", program(3, begin_quickly=True), "watch", "--sim", "five"]
    command += ["--seed", "5", "--journal", str(tmp_path / "journal.db")]
    with closing(Terminal(command, tmp_path)) as terminal:
        number = _says(terminal, r"(\d) synth .*? outside, settled")[1]
        assert "0 Bench" in _text(terminal.screen[:2])
        terminal.type(number.encode())
        terminal.wait_for("[SETTLED]")
        terminal.type(b"6")
        _says(terminal, "synth and spare agree.* on record since")
        terminal.type(b"1")
        terminal.child.send_signal(SLOWLY)
        _says(terminal, r"good to \S+ ppb, turn")
        terminal.type(b"a")
        terminal.wait_for("as found: ")
        for _ in range(5):
            terminal.type(DOWN)
        terminal.child.send_signal(QUICKLY)
        terminal.wait_for("[LANDED]")
        landed_s = clock_s(terminal.screen)
        terminal.wait_until(lambda rows: clock_s(rows) > landed_s + 20)  # its wander is known
        terminal.child.send_signal(SLOWLY)
        _says(terminal, r"good to \S+ ppb, stay")
        terminal.type(b"l")
        terminal.wait_for("as left: ")
        _check_settings(terminal)
        terminal.type(b"0")
        terminal.wait_for("counter  ")
        terminal.type(b"q")
        assert terminal.end() == 0
        said = " ".join(terminal.seen.rpartition(b"\x1b[?1049l")[2].decode().split())

    assert re.search(r"synth: .*as found.*as left.*inside", said), said
    assert said.count("chain proven: synth and spare agree") == 1
    register = tmp_path / "register-simulated.db"
    of_synth = [row for row in rows_of(register) if row["visit"] == _visit_of(register, "synth")]
    documents = {
        kind: [json.loads(row["document"])[kind] for row in of_synth if row["kind"] == kind]
        for kind in ("check", "comparison", "record")
    }
    assert documents["comparison"][-1]["agree"] is True
    assert [one["kind"] for one in documents["record"]] == ["as found", "as left"]
    newest = {one["setting_hz"]: one["verdict"] for one in documents["check"]}
    assert newest == {
        1e6: "follows", 50e6: "follows", 100e6: "follows", 12.5e6: "does not follow",
    }  # fmt: skip
    check_by_hand(register)


def _visit_of(register: Path, counter: str) -> str:
    """Return the name of the visit that the counter's first run opened."""
    return next(
        str(row["visit"])
        for row in rows_of(register)
        if row["kind"] == "visit" and json.loads(row["document"])["counter"] == counter
    )
