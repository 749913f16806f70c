"""Counters that misbehave, watched by the program as a process of its own: nothing false is told.

The counters are plain sockets and pseudo-terminals (`plain_counter`); what the program says is read
as JSON lines.
"""

import pytest
from plain_counter import PlainCounter, on_a_socket, on_a_terminal, watch

GATE_S = 0.1
SETTINGS = ("FREQ:APER?", "ROSC:SOUR?", "INIT:CONT?")


# ------------------------------------------------------------- answers one question late


@pytest.mark.parametrize(
    ("lacks", "begins"),
    [
        (("*ESE?",), ("READ?", 6)),
        (("*ESE?", "SYST:ERR?"), ("READ?", 6)),
        (("*ESE?", "SYST:ERR?", *SETTINGS), ("READ?", 6)),
        (("*ESE?",), ("*IDN?", 2)),
        ((), ("READ?", 6)),
    ],
    ids=["without *ESE?", "nor errors", "knows only readings", "begins at *IDN?", "knows all"],
)
def test_a_counter_that_answers_one_question_late_is_opened_again(
    lacks: tuple[str, ...], begins: tuple[str, int]
) -> None:
    """No reading is told as the one before, or with its time."""
    question, count = begins
    counter = PlainCounter(GATE_S, lacks=lacks, hold_question=question, hold_at=count)
    if question != "READ?":
        counter.change = lambda asked, text, n: None if (asked, n) == ("READ?", 6) else text
    with on_a_socket(counter) as resource:
        watched = watch(resource, "--count", "25")

    off = [late_s for late_s in watched.late_s(counter.taken) if abs(late_s) > 0.75 * GATE_S]
    assert watched.code == 0, watched.errors
    assert len(off) <= 1
    assert counter.connections == 2
    assert len(watched.gaps) == 1


def test_on_a_serial_line_it_is_never_believed() -> None:
    """Opening a serial line again changes nothing at the counter: it is lost, and that is said."""
    counter = PlainCounter(GATE_S, lacks=("*ESE?",), hold_at=6)
    with on_a_terminal(counter) as resource:
        watched = watch(resource, "--for", "12s")

    assert watched.numbers == list(range(1, 6))
    assert "is opened again" in watched.errors


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
