"""Faults as data: how they are written, and the effect of each on the bytes of an answer."""

import json
import subprocess

import pytest
from load_kit import LONGEST_WAIT_S, wait_until
from program_kit import COMMAND
from simulated_kit import a_client, port_of

from benchwatch.errors import UsageError
from benchwatch_simulators.bench.simulated_bench import open_bench
from benchwatch_simulators.bench_time import ManualClock
from benchwatch_simulators.faults import FAULT_KINDS, Fault, FaultScript, parse_fault

ANSWER = b"+1.0000000037E+7\n"


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("cut@30s", Fault(kind="cut", at_s=30.0)),
        ("mute@10s+5s", Fault(kind="mute", at_s=10.0, lasts_s=5.0)),
        ("five=closed@1min+3s", Fault(kind="closed", at_s=60.0, lasts_s=3.0, counter="five")),
        (" Wrong answer@0 ", Fault(kind="wrong-answer", at_s=0.0)),
        ("out_of_step@250ms", Fault(kind="out-of-step", at_s=0.25)),
    ],
)
def test_a_fault_is_read_as_written(text, fault):
    """Kind, time, duration and counter."""
    assert parse_fault(text) == fault


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("cutt@30s", "did you mean 'cut'"),
        ("", "There are: late, cut"),
        ("cut", "does not say when"),
        ("cut@", "does not say when"),
        ("cut@3s+", "does not say when"),
        ("=cut@3s", "does not say when"),
        ("cut@5m", "minutes or milliseconds"),
        ("cut@-3s", "above zero"),
        ("cut@3s+zebra", "zebra"),
        ("\x1b[31m@3s", "there is no fault"),
    ],
)
def test_a_bad_fault_is_a_sentence(text, expected):
    """It quotes the text and shows the valid form."""
    with pytest.raises(UsageError, match=expected) as caught:
        parse_fault(text)

    assert str(caught.value).isprintable()


def shaped(kind, *, now_s=10.0, lasts_s=None, answers=1):
    """Return the pieces of answers sent at `now_s`, with a fault from 10 s on."""
    script = FaultScript([Fault(kind=kind, at_s=10.0, lasts_s=lasts_s)], lambda: now_s)
    return [
        [(p.data, p.due_s, p.ends) for p in script.shape(b"%d" % n + ANSWER)]
        for n in range(answers)
    ]


@pytest.mark.parametrize("kind", sorted(set(FAULT_KINDS) - {"closed", "restart"}))
def test_before_its_time_a_fault_does_nothing(kind):
    """The answer is sent at once."""
    assert shaped(kind, now_s=9.9) == [[(b"0" + ANSWER, 9.9, True)]]


@pytest.mark.parametrize("kind", ["cut", "doubled", "garbage", "huge", "wrong-answer"])
def test_without_a_duration_one_answer_suffers(kind):
    """The next answer is right."""
    first, second = shaped(kind, answers=2)

    assert first != [(b"0" + ANSWER, 10.0, True)]
    assert second == [(b"1" + ANSWER, 10.0, True)]


def test_the_effect_of_each_fault_on_an_answer():
    """The bytes, their times, and whether the end is marked."""
    ((cut,), (doubled,), (late,), (mute,)) = (
        shaped("cut"), shaped("doubled"), shaped("late"), shaped("mute"),
    )  # fmt: skip
    slow = shaped("slow", lasts_s=1.8)[0]

    assert cut == [((b"0" + ANSWER)[:12], 10.0, False)]
    assert doubled == [(b"0" + ANSWER, 10.0, True)] * 2
    assert late == [(b"0" + ANSWER, 13.0, True)]
    assert mute == []
    assert b"".join(piece[0] for piece in slow) == b"0" + ANSWER
    assert [piece[1] for piece in slow] == pytest.approx([10.1 + 0.1 * n for n in range(18)])
    assert [piece[2] for piece in slow] == [False] * 17 + [True]


def test_out_of_step_is_one_question_late_until_the_link_is_opened_again():
    """The first answer is held back and sent when the second is due."""
    script = FaultScript([Fault(kind="out-of-step")], lambda: 1.0)
    late = [[p.data for p in script.shape(b"%d\n" % n)] for n in range(3)]
    script.forget()

    assert late == [[], [b"0\n"], [b"1\n"]]
    assert [p.data for p in script.shape(b"9\n")] == [b"9\n"]


def test_a_closed_connection_is_refused_for_as_long_as_it_lasts():
    """Then the same port answers again, and the counter has kept its settings."""
    clock = ManualClock()
    with open_bench("quiet", seed=1, clock=clock) as bench:
        port = port_of(bench)
        with a_client(port) as client:
            assert client.ask("FREQ:APER 0.5;*OPC?") == "1"
            bench.fault("main", "closed", 0.3)
            assert client.receive() == ""
        assert clock.until_waiting()
        clock.advance(0.2)
        with pytest.raises(ConnectionRefusedError), a_client(port):
            pass

        clock.advance(0.2)
        assert wait_until(lambda: connects(port))
        with a_client(port) as client:
            assert client.ask("FREQ:APER?") == "+5.000000E-01"


def test_a_restart_resets_the_settings():
    """And power-on is set in the event status register (IEEE 488.2 11.5.1)."""
    with open_bench("quiet", seed=1) as bench:
        port = port_of(bench)
        with a_client(port) as client:
            assert client.ask("*CLS;FREQ:APER 0.5;*ESR?") == "0"
            bench.fault("main", "restart", 0.1)
            assert client.receive() == ""

        assert wait_until(lambda: connects(port))
        with a_client(port) as client:
            assert client.ask("FREQ:APER?") == "+2.500000E-01"
            assert client.ask("*ESR?") == "128"


def connects(port):
    """Return whether the port accepts connections."""
    try:
        with a_client(port):
            return True
    except ConnectionRefusedError:
        return False


def test_a_fault_of_a_counter_that_is_not_there():
    """The sentence names the counters there are."""
    with pytest.raises(UsageError, match="no counter 'fiv'; did you mean 'five'"):
        open_bench("pair", faults=[parse_fault("fiv=cut@1s")])


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (["simulate", "quiet", "--fault", "cutt@3s"], "did you mean 'cut'"),
        (["simulate", "pair", "--fault", "fiv=cut@3s"], "did you mean 'five'"),
        (["watch", "--sim", "quiet", "--fault", "cut"], "does not say when"),
        (["watch", "TCPIP0::127.0.0.1::1::SOCKET", "--fault", "cut@3s"], "add --sim"),
    ],
)
def test_a_bad_fault_on_the_command_line_is_a_usage_error(arguments, expected):
    """Exit code 2, a sentence, and nothing is started."""
    run = subprocess.run(
        [*COMMAND, *arguments],
        capture_output=True,
        text=True,
        timeout=100,
    )

    assert run.returncode == 2
    assert expected in run.stderr
    assert "Traceback" not in run.stderr


def test_a_watched_bench_suffers_the_fault_it_was_given():
    """A fault on the command line gives a gap in the lines; at 3 s, or later if it reads later."""
    for at_s in (3, 12, 48):
        run = subprocess.run(
            [*COMMAND, "watch", "--sim", "quiet", "--json", "--no-journal",
             "--fault", f"closed@{at_s}s", "--count", f"{4 * (at_s + 1)}"],
            capture_output=True, text=True, timeout=4 * LONGEST_WAIT_S,
        )  # fmt: skip
        lines = [json.loads(line) for line in run.stdout.splitlines()]
        if lines[0]["kind"] == "reading" and lines[0]["elapsed_s"] < at_s - 1:
            break
    reasons = [line["reason"] for line in lines if line["kind"] == "gap"]

    assert run.returncode == 0
    assert [one for one in reasons if "this computer" not in one] == [
        "the counter closed the connection"
    ]
