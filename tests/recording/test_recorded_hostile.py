"""Hostile and hand-made files: a sentence with a place, exit code 5, and no invented readings."""

import os
import random
import sqlite3
import subprocess
from pathlib import Path

import pytest
from made_damage import good_journal, json_lines, mutated, mutated_journal, table
from program_kit import COMMAND
from recorded_kit import Outcome, run_each, run_one, write
from seed_kit import unseen_seed

READING = (
    '{"kind":"reading","counter":"main","time":null,"elapsed_s":%s,"gate_s":%s,'
    '"frequency_hz":%s,"offset_hz":null,"offset":null,"flags":[]}\n'
)
GOOD = "".join(READING % (i, 1.0, "10000000.1") for i in range(5))
LINES = {
    "kind is a list": '{"kind":[],"counter":"main"}\n',
    "kind is an object": '{"kind":{"a":1},"counter":"main"}\n',
    "time of 5000 digits": READING % ("9" * 5000, 1.0, "10000000.1"),
    "frequency of 5000 digits": READING % (6, 1.0, "1" * 5000),
    "a frequency of 1e9999999": READING % (6, 1.0, "1e9999999"),
    "a time of 1e400": READING % ("1e400", 1.0, "10000000.1"),
    "a time of 1e9999999": READING % ("1e9999999", 1.0, "10000000.1"),
    "a frequency that is a word": READING % (6, 1.0, '"10 MHz"'),
    "a gap that lasted less than nothing": (
        '{"kind":"gap","counter":"main","elapsed_s":5,"lasted_s":-7,"reason":[]}\n'
    ),
    "deep nesting": '{"a":' + "[" * 90_000 + "]" * 90_000 + "}\n",
    "a NUL": '{"kind"\0}\n',
    "a correction of 1e9999": '{"kind":"reading","counter":"main","elapsed_s":6,'
    '"frequency_hz":1e7,"correction":1e9999}\n',
}
PASSED_OVER = {"kind is a list", "kind is an object"}
"""Lines of an unknown kind, which are ignored."""


def check_refused(outcome: Outcome, place: str) -> None:
    """Check that the sentence names the place, and holds no control characters."""
    assert outcome.code == 5, outcome.narration
    sentence = outcome.narration.splitlines()[-1]
    assert place in sentence
    assert sentence.endswith(".")
    assert sentence.isprintable()


def test_hostile_lines_are_refused_by_number(tmp_path: Path) -> None:
    """Each command reports the number of the line; an unknown kind is ignored."""
    commands = [
        [command, write(tmp_path / f"{number}.jsonl", GOOD + line)]
        for number, line in enumerate(LINES.values())
        for command in ("replay", "budget", "stability")
    ]

    outcomes = run_each(commands)

    for i, outcome in enumerate(outcomes):
        name = list(LINES)[i // 3]
        if name in PASSED_OVER:
            assert outcome.code == 0, (name, outcome.narration)
        else:
            check_refused(outcome, f"{i // 3}.jsonl, line 6")


def test_a_gate_that_no_counter_has_is_taken_as_unknown(tmp_path: Path) -> None:
    """A gate below zero or above eleven days; the reading itself is good."""
    readings = [READING % (i, gate, "10000000.1") for i, gate in enumerate(("-5", "1e30", "1.0"))]

    outcome = run_one("replay", "--json", write(tmp_path / "run.jsonl", "".join(readings)))

    assert [reading["gate_s"] for reading in outcome.readings] == [None, None, 1.0]


JOURNAL = """
PRAGMA application_id = 1115114033;
PRAGMA user_version = 2;
CREATE TABLE runs (run, watch, counter, resource, driver, started_utc_s, nominal_hz, identity,
    time_base, gate_s, settings, ended_utc_s, end_reason);
CREATE TABLE readings (run, number, utc_s, elapsed_s, gate_s, text, resolution_hz, flags);
CREATE TABLE gaps (run, number, utc_s, elapsed_s, lasted_s, reason);
CREATE TABLE marks (run, number, utc_s, elapsed_s, text);
CREATE TABLE records (run, number, utc_s, elapsed_s, kind, document);
INSERT INTO runs VALUES (17, 5, 'main', 'x', 'scpi', 2e9, '10000000', '', 'external', 1.0, '{}',
    NULL, '');
"""
"""The tables of a journal by another program: without types."""
GOOD_ROW = (17, 1, 2e9, 1.0, 1.0, "10000000.1", 1e-4, "")
CELLS = {
    "text as a time": (17, 2, 2e9, "noon", 1.0, "10000000.1", 1e-4, ""),
    "no time": (17, 2, 2e9, None, 1.0, "10000000.1", 1e-4, ""),
    "an infinite time": (17, 2, 2e9, float("inf"), 1.0, "10000000.1", 1e-4, ""),
    "no date": (17, 2, None, 2.0, 1.0, "10000000.1", 1e-4, ""),
    "a blob as a number": (17, 2, 2e9, 2.0, 1.0, b"\x00\xff", 1e-4, ""),
    "a number as text": (17, 2, 2e9, 2.0, 1.0, 10000000.1, 1e-4, ""),
    "a word as a number": (17, 2, 2e9, 2.0, 1.0, "\x1b[31mred", 1e-4, ""),
    "nothing as a number": (17, 2, 2e9, 2.0, 1.0, "", 1e-4, ""),
    "a huge number": (17, 2, 2e9, 2.0, 1.0, "1e400", 1e-4, ""),
    "a time far away": (17, 2, 2e9, 1e300, 1.0, "10000000.1", 1e-4, ""),
    "a blob as flags": (17, 2, 2e9, 2.0, 1.0, "10000000.1", 1e-4, b"spike"),
    "a gate as text": (17, 2, 2e9, 2.0, "long", "10000000.1", 1e-4, ""),
}
CHANGES = {
    "no table of gaps": "DROP TABLE gaps",
    "no table of runs": "DROP TABLE runs",
    "a nominal that is a word": "UPDATE runs SET nominal_hz = 'ten'",
    "a nominal below zero": "UPDATE runs SET nominal_hz = '-1'",
    "an infinite nominal": "UPDATE runs SET nominal_hz = 'Infinity'",
    "a counter without a name": "UPDATE runs SET counter = NULL",
    "a key that is text": "UPDATE runs SET run = 'seventeen'",
    "a gap of minus a second": "INSERT INTO gaps VALUES (17, 2, 2e9, 2.0, -1.0, 'x')",
    "a gap without a reason": "INSERT INTO gaps VALUES (17, 2, 2e9, 2.0, 1.0, NULL)",
    "a note that is a blob": "INSERT INTO marks VALUES (17, 2, 2e9, 2.0, x'00')",
}


def journal(path: Path, *, row: tuple[object, ...] | None = None, change: str = "") -> str:
    """Write a journal with one good reading, and another `row` or a `change`."""
    connection = sqlite3.connect(path)
    connection.executescript(JOURNAL)
    for one in (GOOD_ROW, *([row] if row else [])):
        connection.execute("INSERT INTO readings VALUES (?,?,?,?,?,?,?,?)", one)
    connection.execute(change or "SELECT 1")
    connection.commit()
    connection.close()
    return str(path)


def test_hand_made_journals_are_refused_with_the_place(tmp_path: Path) -> None:
    """Contents that the program never writes: other types, NULLs, infinities, missing tables."""
    paths = [journal(tmp_path / f"cell{i}.db", row=row) for i, row in enumerate(CELLS.values())]
    paths += [
        journal(tmp_path / f"table{i}.db", change=change)
        for i, change in enumerate(CHANGES.values())
    ]

    outcomes = run_each([["replay", "--json", path] for path in paths])

    for name, path, outcome in zip([*CELLS, *CHANGES], paths, outcomes, strict=True):
        check_refused(outcome, path)
        place = {"CELLS": "event 2"}.get("CELLS" if name in CELLS else "", "")
        assert place in outcome.narration, name


def test_pairs_of_readings_with_gaps_between_are_read(tmp_path: Path) -> None:
    """Stretches of two readings have no second differences; every command still works."""
    rows = [(i, "" if i % 3 == 2 else f"10000000.{i % 7}") for i in range(90)]
    content = "time_s,frequency_hz\n" + "".join(f"{at},{text}\n" for at, text in rows)
    path = write(tmp_path / "pairs.csv", content)

    played, budget, stability = run_each([["replay", "--json", path], ["budget", path],
                                          ["stability", path]])  # fmt: skip

    assert [outcome.code for outcome in (played, budget, stability)] == [0, 0, 0]
    assert [r["text"] for r in played.readings] == [text for _, text in rows if text]
    assert played.lines[-1]["gaps"] == 30


def test_a_gate_far_shorter_than_the_interval_costs_no_memory(tmp_path: Path) -> None:
    """Daily rows with a gate of a millisecond: 86 million gates fit between two of them."""
    rows = "".join(f"{day * 86400},{day * 7919 % 13}e-10\n" for day in range(400))
    path = write(tmp_path / "daily.csv", "time_s,offset\n" + rows)

    outcome = run_one("stability", "--gate", "1ms", path)

    assert outcome.code in {0, 5}
    assert "Traceback" not in outcome.narration


def test_a_pipe_is_read_from_its_very_beginning(tmp_path: Path) -> None:
    """The check of a file's form must not read from a pipe, as that would lose lines."""
    pipe = tmp_path / "readings.csv"
    os.mkfifo(pipe)
    with subprocess.Popen(
        [*COMMAND, "replay", "--json", str(pipe)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    ) as child:  # fmt: skip
        pipe.write_text("time_s,frequency_hz\n0,10000000.1\n1,10000000.2\n")
        out, told = child.communicate(timeout=100)

    assert child.returncode == 0, told
    assert out.count('"kind":"reading"') == 2


@pytest.mark.parametrize("device", ["/dev/zero", "/dev/random"])
def test_a_device_is_no_file(device: str) -> None:
    """It never ends, and holds no recording."""
    outcome = run_one("replay", "--json", device)

    assert outcome.code == 5
    assert "device" in outcome.narration


def test_mixed_line_ends_and_a_byte_order_mark_are_no_matter(tmp_path: Path) -> None:
    """Editors and loggers of two systems have written one file."""
    path = write(tmp_path / "run.csv", "\ufefftime_s,offset\r\n0,1e-9\n1,2e-9\r\n\r\n2,3e-9\n")

    outcome = run_one("replay", "--json", path)

    assert [reading["offset"] for reading in outcome.readings] == [1e-9, 2e-9, 3e-9]


def test_files_changed_at_random_end_in_numbers_or_a_sentence(tmp_path: Path) -> None:
    """For any content: no traceback, no control characters, and a documented exit code."""
    rng = random.Random(unseen_seed())
    good_journal(tmp_path / "good.db", 40)
    commands = []
    for i in range(40):
        path = tmp_path / f"file{i}"
        if i % 4 == 0:
            mutated_journal(rng, tmp_path / "good.db", path)
        else:
            make = table if i % 2 else json_lines
            path.write_bytes(mutated(rng, make(rng, 40)))
        commands.append([("replay --json", "stability", "budget")[i % 3].split(), [str(path)]])

    outcomes = run_each([command + paths for command, paths in commands])

    for command, outcome in zip(commands, outcomes, strict=True):
        assert outcome.code in {0, 2, 4, 5}, (command, outcome.narration)
        assert all(line.isprintable() for line in outcome.narration.splitlines()), outcome.narration
        if outcome.code:
            assert outcome.narration.rstrip().endswith(".")
