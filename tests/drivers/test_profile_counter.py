"""Counters driven by profiles, with scripts: commands sent, lines accepted, dropped and refused."""

from decimal import Decimal
from pathlib import Path

import pytest
from profile_kit import MINIMUM, TalkingLink, asked, bundled_profile, profile_of, talking

from benchwatch.counter import Setup, TimeBase
from benchwatch.errors import LinkLost, NotACounter, ReplyError, ReplyTimeout, UsageError
from benchwatch_drivers.profile.profile_counter import MOST_ODD_LINES, ProfileCounter
from benchwatch_simulators.fake_bus import GARBAGE, HUGE, MUTE, FakeLink, Reply

TERSE = "F  10.0000024E+06"
SCPI = "+1.00000000231E+07"
SCPI_ANSWERS = {
    "*IDN?": "TIDE WORKS,COUNTER A,17,1.0",
    "READ?": Reply(text=SCPI, after_s=1.0),
    "FREQ:GATE:TIME?": "+1.00000000E+00",
    "ROSC:SOUR?": "EXT",
    "SYST:ERR?": '+0,"No error"',
}


def number(value: int) -> str:
    """Return a talk-only line of 10 MHz and so many tenths of a hertz."""
    return f"+1.{value:08d}E+07"


# ------------------------------------------------------------- a counter that answers queries


def test_a_query_gives_an_exact_reading() -> None:
    """Mode query: every digit is kept, with the time of arrival."""
    counter, link = asked("scpi-gate-time", SCPI_ANSWERS)

    measurement = counter.measure(2.5)

    assert measurement.value_hz == Decimal("10000000.0231")
    assert measurement.resolution_hz == pytest.approx(1e-4)
    assert measurement.arrived_s == link.now()


def test_watching_by_a_profile_sends_its_queries_only() -> None:
    """Nothing is set without a request, and the panel is not touched."""
    counter, link = asked("scpi-gate-time", SCPI_ANSWERS)

    gate_s, time_base = counter.gate_s(), counter.time_base()
    for _ in range(3):
        counter.measure(2.5)
    counter.release()

    assert (gate_s, time_base) == (1.0, TimeBase("external"))
    assert [command for command in link.sent if not command.endswith("?")] == []


def test_a_gate_is_set_by_the_command_of_the_profile_and_read_back() -> None:
    """First the command, then the query; at the end the panel returns to local."""
    counter, link = asked("scpi-gate-time", {**SCPI_ANSWERS, "FREQ:GATE:TIME?": "+1.00000000E-01"})

    done = counter.configure(Setup(gate_s=0.1))
    counter.release()

    assert done == Setup(gate_s=0.1)
    assert [c for c in link.sent if "?" not in c] == ["FREQ:GATE:TIME 0.1", "SYST:LOC"]


def test_a_refused_setting_quotes_the_counters_error() -> None:
    """Errors are queried after each setting."""
    answers = {**SCPI_ANSWERS, "SYST:ERR?": '-222,"Data out of range"'}
    counter, _ = asked("scpi-gate-time", answers)

    with pytest.raises(UsageError, match=r"refuses a gate of 1000 s.*out of range"):
        counter.configure(Setup(gate_s=1000.0))


def test_a_late_answer_is_never_taken_for_a_newer_one() -> None:
    """After a missed answer the identity is queried until exactly that comes."""
    late = [Reply(text="+1.00000000999E+07", after_s=3.0), Reply(text=SCPI, after_s=1.0)]
    counter, _ = asked("scpi-gate-time", {**SCPI_ANSWERS, "READ?": late})

    with pytest.raises(ReplyTimeout):
        counter.measure(2.5)
    measurement = counter.measure(2.5)

    assert measurement.value_hz == Decimal("10000000.0231")


def test_another_identity_after_an_odd_answer_ends_the_link() -> None:
    """It is another counter, or all answers are late: a new connection is needed."""
    answers = {
        **SCPI_ANSWERS,
        "*IDN?": ["TIDE WORKS,COUNTER A,17,1.0", "TIDE WORKS,COUNTER B,3,1.0"],
        "READ?": GARBAGE,
    }
    counter, _ = asked("scpi-gate-time", answers)

    with pytest.raises(ReplyError):
        counter.measure(2.5)
    with pytest.raises(LinkLost, match="no longer says who it is"):
        counter.measure(2.5)


def test_a_counter_that_stays_one_answer_behind_is_opened_again() -> None:
    """The identity answers a reading's query, which no wait can repair."""
    counter, _ = asked("scpi-gate-time", {**SCPI_ANSWERS, "READ?": SCPI_ANSWERS["*IDN?"]})

    with pytest.raises(LinkLost, match="one question late"):
        counter.measure(2.5)


def test_a_query_that_is_never_answered_is_sent_once() -> None:
    """A counter without the query for its time base is still watched."""
    counter, link = asked("scpi-gate-time", {**SCPI_ANSWERS, "ROSC:SOUR?": MUTE})

    answers = [counter.time_base(), counter.time_base()]

    assert answers == [TimeBase("unknown")] * 2
    assert link.sent.count("ROSC:SOUR?") == 1


def test_the_same_result_again_is_a_repeat() -> None:
    """The same text within a gate is no new measurement."""
    counter, _ = asked("scpi-gate-time", {**SCPI_ANSWERS, "READ?": SCPI})
    counter.gate_s()

    repeats = [counter.measure(2.5).repeat for _ in range(3)]

    assert repeats == [False, True, True]


def test_a_doubled_answer_costs_no_reading() -> None:
    """The copy that comes after the next query is dropped, and the real answer waited for."""
    first = Reply(text="+1.00000000001E+07", after_s=1.0, times=2, apart_s=0.01)
    second = Reply(text="+1.00000000002E+07", after_s=1.0)
    counter, _ = asked("scpi-gate-time", {**SCPI_ANSWERS, "READ?": [first, second]})
    counter.gate_s()

    taken = [counter.measure(2.5) for _ in range(2)]

    assert [str(m.value_hz) for m in taken] == ["10000000.0001", "10000000.0002"]
    assert [m.repeat for m in taken] == [False, False]


def test_a_doubled_answer_is_recognised_by_its_time() -> None:
    """Without a gate: no measurement takes a hundredth of the usual time."""
    script = {"T": [Reply(text="F  10.0000024E+06", after_s=0.05),
                    Reply(text="F  10.0000025E+06", after_s=0.05, times=2, apart_s=0.01),
                    Reply(text="F  10.0000026E+06", after_s=0.05)]}  # fmt: skip
    counter, _ = asked("terse", script)

    taken = [counter.measure(30.0) for _ in range(3)]

    assert [str(m.value_hz) for m in taken] == ["10000002.4", "10000002.5", "10000002.6"]
    assert [m.repeat for m in taken] == [False] * 3


def test_a_slow_first_answer_makes_no_copies_of_quicker_ones() -> None:
    """Triggered during a gate, the first answer takes longer than the next, equal ones."""
    answers = [Reply(text=TERSE, after_s=0.9), *[Reply(text=TERSE, after_s=0.4)] * 5]
    counter, _ = asked("terse", {"T": answers})

    repeats = [counter.measure(30.0).repeat for _ in answers]

    assert repeats == [False, True, False, False, False, False]


@pytest.mark.parametrize("name", ["terse", "scpi-gate-time"])
def test_an_answer_that_comes_too_late_after_a_copy_is_reported(name: str) -> None:
    """With a query of the identity and without: first the copy as a repeat, then the missed one."""
    number = {"terse": "F  10.000002{}E+06", "scpi-gate-time": "+1.0000002{}00000E+07"}[name]
    answers = [
        Reply(text=number.format(4), after_s=1.0),
        Reply(text=number.format(5), after_s=1.0, times=2, apart_s=0.01),
        Reply(text=number.format(6), after_s=1.6),
        Reply(text=number.format(7), after_s=1.0),
    ]
    counter, _ = asked(name, {**SCPI_ANSWERS, "READ?": answers, "T": answers})
    counter.gate_s()
    taken = [counter.measure(30.0) for _ in range(3)]

    with pytest.raises(ReplyError, match="too late"):
        counter.measure(30.0)
    after = counter.measure(30.0)

    assert [m.repeat for m in [*taken, after]] == [False, False, True, False]
    values = [m.value_hz for m in [*taken, after]]
    assert values == [Decimal(f"10000002.{digit}") for digit in (4, 5, 5, 7)]


def test_newest_results_are_polled_and_each_is_returned_once(tmp_path: Path) -> None:
    """hands_out = "newest": the same result is read many times, and counts once."""
    text = MINIMUM.replace('"stream"', '"query"') + (
        '\n[reading]\ncommand = "FETCH"\nhands_out = "newest"\n'
    )
    answers = ["10000000.0231"] * 3 + ["10000000.0245"] * 3 + ["10000000.0238"]
    link = FakeLink({"FETCH": answers})
    counter = ProfileCounter(link, profile_of(tmp_path, text))

    values = [counter.measure(2.5).value_hz for _ in range(3)]

    assert values == [Decimal(v) for v in ("10000000.0231", "10000000.0245", "10000000.0238")]


# ------------------------------------------------------------- a counter with terse letters


def test_only_the_trigger_letter_is_sent_for_a_reading() -> None:
    """Mode addressed with a trigger: the counter has no queries."""
    counter, link = asked("terse", {"T": Reply(text=TERSE, after_s=1.0)})
    gate_s, time_base = counter.gate_s(), counter.time_base()

    measurement = counter.measure(2.5)
    counter.release()

    assert measurement.value_hz == Decimal("10000002.4")
    assert (gate_s, time_base) == (None, TimeBase("unknown"))
    assert link.sent == ["T"]
    assert link.terminator == "\r\n"


def test_a_counter_that_talks_when_addressed_is_only_read() -> None:
    """Mode addressed without a trigger: the bus addresses it."""
    link = TalkingLink([(1.0, TERSE), (2.0, TERSE.replace("24E", "31E"))])
    counter = ProfileCounter(link, bundled_profile("terse-addressed"))

    values = [counter.measure(2.5).value_hz for _ in range(2)]

    assert values == [Decimal("10000002.4"), Decimal("10000003.1")]
    assert link.sent == []


def test_a_late_reading_of_a_counter_without_identity_is_waited_for() -> None:
    """It is read until it is silent, and then triggered again."""
    late = [Reply(text="F  10.0009990E+06", after_s=3.2), Reply(text=TERSE, after_s=1.0)]
    counter, _ = asked("terse", {"T": late})

    with pytest.raises(ReplyTimeout):
        counter.measure(2.5)
    measurement = counter.measure(2.5)

    assert measurement.value_hz == Decimal("10000002.4")


@pytest.mark.parametrize(("gate_s", "letter"), [(0.01, "G0"), (1.0, "G2"), (100.0, "G4")])
def test_a_gate_is_chosen_by_its_letter(gate_s: float, letter: str) -> None:
    """The gate that was set is used from then on, as it can't be read back."""
    counter, link = asked("terse", {})

    done = counter.configure(Setup(gate_s=gate_s))

    assert done == Setup(gate_s=gate_s)
    assert counter.gate_s() == gate_s
    assert link.sent == [letter]


def test_a_gate_that_the_counter_lacks_is_refused_with_those_it_has() -> None:
    """No command is sent."""
    counter, link = asked("terse", {})

    with pytest.raises(UsageError, match=r"no gate of 0\.5 s; it has 0\.01 s, 0\.1 s"):
        counter.configure(Setup(gate_s=0.5))

    assert link.sent == []


def test_a_counter_on_another_function_is_recognised_by_its_header() -> None:
    """A period is not taken for a frequency."""
    counter, _ = asked("terse", {"T": "P  10.0000024E+06"})

    with pytest.raises(ReplyError, match="measures period"):
        counter.measure(2.5)


# ------------------------------------------------------------- a talk-only counter


def test_the_first_line_of_a_stream_is_dropped() -> None:
    """After connecting, it may be the tail of a line, and may parse as a number."""
    counter, link = talking("talk-only", [(0.3, number(7)), (1.3, number(8)), (2.3, number(9))])

    values = [counter.measure(2.5).value_hz for _ in range(2)]

    assert values == [Decimal("10000000.8"), Decimal("10000000.9")]
    assert link.sent == []


def test_the_first_line_after_a_silence_is_dropped_too() -> None:
    """It may be cut by the timeout."""
    lines = [(t, number(round(t))) for t in (1.0, 2.0, 8.0, 9.0, 10.0)]
    counter, _ = talking("talk-only", lines)
    counter.measure(2.5)

    with pytest.raises(ReplyTimeout):
        counter.measure(2.5)
    with pytest.raises(ReplyTimeout):
        counter.measure(2.5)
    value = counter.measure(2.5).value_hz

    assert value == Decimal("10000000.9")


def test_a_stream_with_very_long_gates_gives_a_remedy(tmp_path: Path) -> None:
    """A line every 100 s needs a profile that states it."""
    lines = [(100.0 * k, "10000000.0231") for k in range(1, 9)]
    slow = ProfileCounter(TalkingLink(lines), profile_of(tmp_path, MINIMUM))
    told = ProfileCounter(
        TalkingLink(lines), profile_of(tmp_path, MINIMUM + '[gate]\nfixed = "100 s"\n')
    )
    told.gate_s()

    with pytest.raises(ReplyTimeout, match=r'\[gate\] fixed = "100 s"'):
        slow.measure(30.0)

    assert told.measure(110.0).value_hz == Decimal("10000000.0231")


def test_lines_from_between_polls_are_too_old() -> None:
    """With one reading in ten seconds, each was measured at its time stamp."""
    counter, link = talking("talk-only", [(float(t), number(t)) for t in range(60)])
    seen = []
    for _ in range(3):
        measurement = counter.measure(2.5)
        seen.append((measurement.value_hz, measurement.arrived_s))
        link.pause(10.0)

    assert all(
        value == Decimal(10_000_000) + Decimal(round(at_s or 0)) / 10 for value, at_s in seen
    )
    assert len({value for value, _ in seen}) == 3


def test_lines_that_waited_are_dated_by_the_pace_once_it_is_known() -> None:
    """Four lines wait after eight were read; if one does not fit the pace, none is dated."""
    for late, kept in (([8.0, 9.0, 10.0, 11.0], True), ([8.0, 9.0, 11.0], False)):
        times_s = [*map(float, range(8)), *late, 12.0]
        counter, link = talking("talk-only", [(at_s, number(round(at_s))) for at_s in times_s])
        for _ in range(7):
            counter.measure(2.5)
        link.pause(4.3)

        taken = [counter.measure(2.5) for _ in range(5 if kept else 1)]

        assert [m.arrived_s for m in taken] == pytest.approx([*late, 12.0] if kept else [12.0])
        assert [m.dated_by_pace for m in taken] == ([True] * 4 + [False] if kept else [False])
        assert taken[0].undated_before == (0 if kept else 3)


def test_lines_between_paced_readings_are_discarded() -> None:
    """With an interval only the next line is a reading, and none counts as missed."""
    counter, link = talking("talk-only", [(float(t), number(t)) for t in range(14)])
    for _ in range(7):
        counter.measure(2.5)
    link.pause(4.3)
    counter.discard_waiting_lines()

    measurement = counter.measure(2.5)

    assert (measurement.arrived_s, measurement.dated_by_pace, measurement.undated_before) == (
        12.0,
        False,
        0,
    )


@pytest.mark.parametrize(
    ("name", "line", "times_s", "repeats"),
    [
        ("talk-only", "+1.00000002E+07", [0.1, 1.0, 1.001, 2.0], [False, True, False]),
        (
            "talk-only",
            "+1.00000002E+07",
            [0.1, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 6.2, 7.0],
            [False] * 6 + [True, False],
        ),
        ("lines", "10000000.2", [1.0, 1.001, 2.0], [False, False, False]),
    ],
)
def test_an_equal_line_at_once_is_a_copy_from_a_counter_but_not_from_a_program(
    name: str, line: str, times_s: list[float], repeats: list[bool]
) -> None:
    """No gate takes a millisecond, but a program writes earlier measurements in one block.

    Once the pace is known, a copy is recognised by it, however late a busy computer reads it. The
    first line of the talk-only counter is dropped, as in every stream.
    """
    counter, _ = talking(name, [(at_s, line) for at_s in times_s])

    taken = [counter.measure(2.5) for _ in repeats]

    assert [m.repeat for m in taken] == repeats


def test_display_text_is_read_with_its_unit_and_headings_are_ignored() -> None:
    """``10.000 000 24 MHz`` among other lines."""
    lines = [(1.0, "Gate 1.0 s"), (2.0, "Gate 1.0 s"), (2.0, "10.000 000 24 MHz")]
    counter, _ = talking("talk-only-display", lines)

    measurement = counter.measure(2.5)

    assert measurement.value_hz == Decimal("10000000.24")
    assert measurement.resolution_hz == pytest.approx(0.01)


def test_an_overflow_is_an_overrange_reading() -> None:
    """Dashes have no value."""
    counter, _ = talking("talk-only", [(1.0, number(1)), (2.0, "----------")])

    assert counter.measure(2.5).value_hz is None


@pytest.mark.parametrize("line", ["", GARBAGE.text, HUGE.text, "+1.000000E", "10 MHz", "1e7"])
def test_a_bad_line_is_refused_and_the_next_one_read(line: str) -> None:
    """Only a whole line in the profile's form becomes a reading."""
    counter, _ = talking("talk-only", [(1.0, number(1)), (2.0, line), (3.0, number(3))])

    with pytest.raises(ReplyError):
        counter.measure(2.5)

    assert counter.measure(2.5).value_hz == Decimal("10000000.3")


def test_several_odd_lines_and_no_reading_are_no_such_counter() -> None:
    """The sentence asks for another driver."""
    counter, _ = talking("talk-only", [(float(t), "hello") for t in range(9)])

    for _ in range(MOST_ODD_LINES - 1):
        with pytest.raises(ReplyError):
            counter.measure(2.5)
    with pytest.raises(NotACounter, match="Choose another driver"):
        counter.measure(2.5)


def test_nothing_can_be_set_on_a_stream() -> None:
    """No command is possible: the sentence names the front panel."""
    counter, link = talking("talk-only", [])

    with pytest.raises(UsageError, match="front panel"):
        counter.configure(Setup(gate_s=1.0))
    with pytest.raises(UsageError, match="front panel"):
        counter.configure(Setup(channel=2))

    assert link.sent == []


def test_a_talk_only_counter_has_gate_and_family_from_its_profile(tmp_path: Path) -> None:
    """These can't be queried."""
    profile = profile_of(tmp_path, MINIMUM + '\n[gate]\nfixed = "10 s"\n')
    counter = ProfileCounter(TalkingLink([]), profile)

    identity, gate_s = counter.identify(), counter.gate_s()

    assert (identity.text, gate_s) == ("counter of a made-up kind", 10.0)


def test_the_timeout_rule_gives_a_counter_the_gates_it_needs() -> None:
    """A trigger during a gate of 1 s: the reading comes 1.9 s later."""
    counter, _ = asked("terse", {"T": Reply(text=TERSE, after_s=1.9), "G2": MUTE})
    counter.configure(Setup(gate_s=1.0))
    counter.gate_s()

    assert counter.measure(1.5).value_hz == Decimal("10000002.4")


# ------------------------------------------------------------- numbers and units


@pytest.mark.parametrize(
    ("line", "pattern", "more", "resolution"),
    [
        ("10000.0000231", r"(?P<number>\d{5}\.\d{7})", 'unit = "kHz"', 1e-4),
        ("10,0000000231", r"(?P<number>\d\d,\d{10})", 'unit = "MHz"\ndecimal_mark = ","', 1e-4),
        ("100000000231", r"(?P<number>\d{12})", 'scale = "1e-4"', 1e-4),
        ("10000000.0231", r"(?P<number>\d{8}\.\d{4})", 'resolution = "0.01 Hz"', 1e-2),
    ],
)  # fmt: skip
def test_units_scales_and_marks(
    tmp_path: Path, line: str, pattern: str, more: str, resolution: float
) -> None:
    """The value is exact in each notation."""
    value = "10000000.0231"
    text = (
        f'family = "made up"\nmode = "stream"\n[line]\npattern = \'{pattern}\'\n{more}\n'
        f'[[examples]]\nline = "{line}"\nvalue = "{value} Hz"\n'
    )
    link = TalkingLink([(1.0, line), (2.0, line)])
    counter = ProfileCounter(link, profile_of(tmp_path, text))

    measurement = counter.measure(2.5)

    assert measurement.value_hz == Decimal(value)
    assert measurement.resolution_hz == pytest.approx(resolution)


def test_a_period_becomes_a_frequency_with_its_resolution(tmp_path: Path) -> None:
    """F = 1/T, and df = dT/T^2 (the derivative): 100 ns to 1e-19 s is 10 MHz to 1e-5 Hz."""
    text = (
        'family = "made up"\nmode = "stream"\nmeasures = "period"\n'
        "[line]\npattern = '(?P<number>\\d\\d\\.\\d{10})'\nunit = \"ns\"\n"
        '[[examples]]\nline = "99.9999997690"\nvalue = "10000000.0231 Hz"\n'
    )
    link = TalkingLink([(1.0, "99.9999997690"), (2.0, "99.9999997690")])
    counter = ProfileCounter(link, profile_of(tmp_path, text))

    measurement = counter.measure(2.5)

    assert float(measurement.value_hz or 0) == pytest.approx(1e9 / 99.999999769, rel=1e-15)
    assert measurement.resolution_hz == pytest.approx(1e-5, rel=1e-6)
