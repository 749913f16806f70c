"""Counters that misbehave, watched by the program as a process of its own: nothing false is told.

The counters are plain sockets and pseudo-terminals (`plain_counter`); what the program says is read
as JSON lines.
"""

import json
from itertools import pairwise
from pathlib import Path

import pytest
from plain_counter import PlainCounter, benchwatch, on_a_socket, watch

GATE_S = 0.1
SETTINGS = ("FREQ:APER?", "ROSC:SOUR?", "INIT:CONT?")


# ------------------------------------------------------------- answers one question late


@pytest.mark.parametrize(
    "lacks",
    [("*ESE?",), ("*ESE?", "SYST:ERR?", "FREQ:APER?", "ROSC:SOUR?", "INIT:CONT?")],
    ids=["without *ESE?", "knows only readings"],
)
def test_a_counter_that_answers_one_question_late_is_opened_again(lacks: tuple[str, ...]) -> None:
    """No reading is told as the one before, or with its time."""
    counter = PlainCounter(GATE_S, lacks=lacks, hold_at=6)
    with on_a_socket(counter) as resource:
        watched = watch(resource, "--count", "25")

    off = [late_s for late_s in watched.late_s(counter.taken) if abs(late_s) > 0.75 * GATE_S]
    assert watched.code == 0, watched.errors
    assert len(off) <= 1
    assert counter.connections == 2
    assert len(watched.gaps) == 1


def test_an_answer_that_comes_behind_the_identity_is_not_the_next_one() -> None:
    """A counter that answers out of order: the missed reading comes when the next one is asked."""
    gate_s, patience_s = 0.4, 1.9
    counter = PlainCounter(gate_s, delays={("READ?", 6): patience_s - 0.7 * gate_s})
    with on_a_socket(counter) as resource:
        watched = watch(resource, "--count", "14")

    assert watched.code == 0, watched.errors
    assert max(watched.late_s(counter.taken)) < 0.75 * gate_s
    assert 6 not in watched.numbers
    assert len(watched.gaps) == 1


# ------------------------------------------------------------- settings


def test_garbled_answers_about_settings_cost_nothing(tmp_path: Path) -> None:
    """Each reading has its gate, and is put right by the time base that was told.

    One garbled answer is asked for again at once; what is garbled for longer is kept, and called
    old, until it is told again.
    """
    bad = {"ROSC:SOUR?": {1, 4, 5, 6, *range(10, 25)}, "FREQ:APER?": {1, 3, 4, 5}}
    counter = PlainCounter(
        GATE_S,
        answers={"ROSC:SOUR?": "INT"},
        change=lambda asked, text, n: "\xfe1\xff" if n in bad.get(asked, ()) else text,
    )
    with on_a_socket(counter) as resource:
        bench = tmp_path / "bench.toml"
        bench.write_text(
            f'[counters.main]\nresource = "{resource}"\nnominal = "10 MHz"\n'
            '[counters.main.time_base]\noffset = "1e-8"\nuncertainty = "1e-10"\n'
        )
        watched = watch("main", "--bench", str(bench), "--count", "70", often=True)

    assert watched.code == 0, watched.errors
    assert counter.asked["ROSC:SOUR?"] > 25
    assert [line["correction"] for line in watched.readings] == pytest.approx([1e-8] * 70)
    assert all(line["flags"] == ["internal-timebase"] for line in watched.readings)
    assert all(line["gate_s"] == GATE_S for line in watched.readings)
    assert watched.gaps == []
    kept, again = watched.marks
    assert kept == (
        "the counter no longer tells its time base so that it can be read; the last one told is "
        "kept: internal"
    )
    assert again == "the counter tells its time base again: internal"


def test_a_gate_longer_than_its_readings_come_leaves_all_readable(tmp_path: Path) -> None:
    """Times advance in lines and journal, which replay; what is wrong is said once, live."""
    journal, file = tmp_path / "journal.sqlite", tmp_path / "lines.jsonl"
    counter = PlainCounter(GATE_S, answers={"FREQ:APER?": "10.0"})
    with on_a_socket(counter) as resource:
        watched = watch(resource, "--count", "25", journal=journal)
    file.write_text("".join(json.dumps(line) + "\n" for line in watched.lines))
    replays = [benchwatch("replay", str(path), "--json") for path in (file, journal)]

    times = [line["elapsed_s"] for line in watched.readings]
    assert watched.code == 0, watched.errors
    assert all(later > earlier for earlier, later in pairwise(times))
    assert max(map(abs, watched.late_s(counter.taken)[5:])) < 0.75 * GATE_S
    assert all(line["gate_s"] is None for line in watched.readings[6:])
    assert sum("no gate is longer than that" in text for text in watched.marks) == 1
    for replay in replays:
        assert replay.returncode == 0, replay.stderr
        assert replay.stdout.count('"kind":"reading"') == 25


def test_a_gate_that_can_not_be_is_unknown() -> None:
    """1E30 s is more than any clock holds."""
    counter = PlainCounter(GATE_S, answers={"FREQ:APER?": "1E30"})
    with on_a_socket(counter) as resource:
        watched = watch(resource, "--count", "5")

    assert watched.code == 0, watched.errors
    assert "Traceback" not in watched.errors
    assert [line["gate_s"] for line in watched.readings] == [None] * 5


def test_a_gate_that_was_asked_for_is_set_again_when_the_counter_forgot_it() -> None:
    """Power failed behind an adapter that stays on, so that no connection was lost."""

    def restarts(question: str, text: str, n: int) -> str:
        if (question, n) == ("READ?", 8):
            counter.gate_s = 0.02
        return text

    counter = PlainCounter(0.05, change=restarts)
    with on_a_socket(counter) as resource:
        watched = watch(resource, "--gate", "100ms", "--count", "60", often=True)

    settings = [line for line in counter.heard if "?" not in line]
    assert watched.code == 0, watched.errors
    assert settings[:2] == ["FREQ:APER 0.1", "FREQ:APER 0.1"]
    assert watched.readings[-1]["gate_s"] == 0.1
    assert watched.marks == [
        "the counter's gate was found at 0.02 s; it was set to 0.1 s again, as asked"
    ]


# ------------------------------------------------------------- words


def test_advice_fits_a_counter_that_was_read_a_moment_ago() -> None:
    """Its port and its driver are right; another program, its power or its cable is not."""
    counter = PlainCounter(GATE_S)
    counter.change = lambda _asked, text, _n: text if counter.asked.get("READ?", 0) < 6 else None
    with on_a_socket(counter) as resource:
        watched = watch(resource, "--for", "14s")

    assert len(watched.readings) == 5
    assert "It answered before: check that it is on" in watched.errors
    assert "choose another driver" not in watched.errors
    assert "Check the port" not in watched.errors
