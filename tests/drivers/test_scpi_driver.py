"""The SCPI driver with scripted counters: commands sent, replies accepted and refused.

Codes and special numbers: SCPI-1999 volume 1 section 7.2.1.5 and volume 2 section 21.8, numeric
replies: IEEE 488.2-1992 section 8.7 (clauses from memory).
"""

from decimal import Decimal

import pytest
from acquisition_kit import COUNTER
from hypothesis import given
from hypothesis import strategies as st

from benchwatch.counter import Setup, TimeBase
from benchwatch.errors import LinkLost, NotACounter, ReplyError, ReplyTimeout, UsageError
from benchwatch_drivers.repeat_detection import RepeatDetector
from benchwatch_drivers.scpi.scpi_driver import ScpiCounter
from benchwatch_simulators.fake_bus import GARBAGE, HUGE, MUTE, Answer, FakeLink, Reply, Script

READING = "+1.00000000231E+07"
IDENTITY = COUNTER["*IDN?"]
NO_ERROR = COUNTER["SYST:ERR?"]


def gated(text: str = READING) -> Reply:
    """Return the scripted reply to a reading, which takes a gate of one second."""
    return Reply(text, after_s=1.0)


def counter(**changes: object) -> tuple[ScpiCounter, FakeLink]:
    """Return an identified counter on a scripted link; keys of changes are queries without "?"."""
    script: dict[str, object] = {**COUNTER, "READ?": gated()}
    script.update({key.replace("_", ":") + "?": value for key, value in changes.items()})
    return identified(script)  # type: ignore[arg-type]


def identified(script: Script) -> tuple[ScpiCounter, FakeLink]:
    """Return a counter that has been identified."""
    link = FakeLink(script)
    made = ScpiCounter(link)
    made.identify()
    return made, link


def watch(made: ScpiCounter, readings: int) -> list[Decimal | None]:
    """Do what acquisition does when no setting is requested."""
    made.gate_s()
    made.time_base()
    values = [made.measure(2.5).value_hz for _ in range(readings)]
    made.time_base()
    made.release()
    return values


def test_a_reading_is_exact_and_stamped_when_it_arrived() -> None:
    """Every digit of the reply is kept."""
    made, link = counter()
    asked_s = link.now()

    measurement = made.measure(2.5)

    assert measurement.value_hz == Decimal("10000000.0231")
    assert measurement.resolution_hz == pytest.approx(1e-4)
    assert measurement.arrived_s == pytest.approx(asked_s + 1.0, abs=0.01)
    assert not measurement.repeat


def test_the_identity_is_split_into_its_four_fields() -> None:
    """IEEE 488.2 10.14: maker, model, serial number, firmware."""
    link = FakeLink(COUNTER)

    identity = ScpiCounter(link).identify()

    assert identity.text == IDENTITY
    assert (identity.maker, identity.model) == ("Tide Works", "Counter A")
    assert (identity.serial, identity.firmware) == ("0017", "1.2")


@pytest.mark.parametrize("reply", [MUTE, GARBAGE, HUGE, "", READING, "\x1b[31mred"])
def test_without_an_identity_it_is_no_counter(reply: Answer) -> None:
    """Nothing, garbage, a number, an escape sequence: a sentence without control characters."""
    made = ScpiCounter(FakeLink({"*IDN?": reply}))

    with pytest.raises(NotACounter, match=r"\*IDN\?") as caught:
        made.identify()

    assert str(caught.value).isprintable()


@pytest.mark.parametrize("continuous", ["0", "1"])
@pytest.mark.parametrize(
    "knows", [set(COUNTER), {"*IDN?"}, {"*IDN?", "SYST:ERR?"}, set(COUNTER) - {"SYST:ERR?"}]
)
def test_watching_sends_nothing_but_queries(knows: set[str], continuous: str) -> None:
    """Nothing is set without a request, whatever the counter can do."""
    script: dict[str, object] = {q: a for q, a in COUNTER.items() if q in knows}
    script |= {"READ?": gated(), "FETC?": READING}
    if "INIT:CONT?" in knows:
        script["INIT:CONT?"] = continuous
    made, link = identified(script)  # type: ignore[arg-type]

    watch(made, readings=5)

    assert [command for command in link.sent if not command.endswith("?")] == []


def test_a_counter_that_only_answers_read_is_watched() -> None:
    """Silence to each other query takes a quarter of a second, once."""
    made, link = identified({"*IDN?": IDENTITY, "READ?": gated()})
    began_s = link.now()

    gate_s, time_base = made.gate_s(), made.time_base()
    values = [made.measure(2.5).value_hz for _ in range(3)]
    took_s = link.now() - began_s - 3.0
    made.gate_s()
    made.time_base()

    assert took_s < 2.0
    assert (gate_s, time_base) == (None, TimeBase("unknown"))
    assert values == [Decimal("10000000.0231")] * 3
    for query in ("FREQ:APER?", "FREQ:GATE:TIME?", "ROSC:SOUR?", "SYST:ERR?"):
        assert link.sent.count(query) == 1


def test_a_slow_counter_is_given_the_time_it_needs() -> None:
    """Behind a slow gateway a setting takes as long as the identity."""
    slow = {q: Reply(a, after_s=0.4) for q, a in COUNTER.items()}
    made, _ = identified({**slow, "READ?": gated()})

    assert made.gate_s() == 1.0
    assert made.time_base() == TimeBase("external")


def test_errors_that_the_drivers_queries_caused_are_cleared() -> None:
    """The counter's error lamp must not stay lit for a query that it lacks."""
    unknown = ['-113,"Undefined header"', NO_ERROR]
    made, link = counter(FREQ_APER=MUTE, SYST_ERR=unknown)

    made.gate_s()

    assert link.sent.count("SYST:ERR?") >= 2


def test_an_endless_error_queue_is_left() -> None:
    """At most 32 errors are read."""
    made, link = counter(FREQ_APER=MUTE, SYST_ERR='-113,"Undefined header"')

    assert made.gate_s() is None
    assert link.sent.count("SYST:ERR?") <= 4 * 32


@pytest.mark.parametrize(
    ("query", "reply", "gate_s"),
    [
        ("FREQ:APER?", "+1.00000E-001", 0.1),
        ("FREQ:GATE:TIME?", "10", 10.0),
        ("FREQ:ARM:STOP:TIM?", " 2.5 ", 2.5),
        ("FREQ:APER?", "ERROR", None),
        ("FREQ:APER?", "9.91E37", None),
        ("FREQ:APER?", "0", None),
    ],
)
def test_the_gate_is_found_in_each_form(query: str, reply: str, gate_s: float | None) -> None:
    """A reply that is no plausible time is no gate."""
    made, _ = identified({"*IDN?": IDENTITY, "SYST:ERR?": NO_ERROR, query: reply})

    assert made.gate_s() == gate_s


@pytest.mark.parametrize(
    ("reply", "source"),
    [("INT", "internal"), ("INTernal", "internal"), ("EXT", "external"), ('"EXT1"', "external"),
     ("CLK10", "unknown"), ("", "unknown"), (MUTE, "unknown")],
)  # fmt: skip
def test_the_time_base_is_known_or_unknown(reply: Answer, source: str) -> None:
    """An unexpected answer is unknown, never guessed."""
    made, _ = counter(ROSC_SOUR=reply)

    assert made.time_base().source == source


@pytest.mark.parametrize("text", ["9.91E37", "+9.91000000E+037"])
def test_nan_is_no_reading(text: str) -> None:
    """SCPI-1999 7.2.1.5: 9.91E37 stands for not a number."""
    made, _ = counter(READ=text)

    with pytest.raises(ReplyError, match="no valid result"):
        made.measure(2.5)


@pytest.mark.parametrize("text", ["9.9E37", "-9.9E37", "+9.90000000E+037"])
def test_infinity_is_overrange(text: str) -> None:
    """SCPI-1999 7.2.1.4: 9.9E37 stands for infinity."""
    made, _ = counter(READ=text)

    assert made.measure(2.5).value_hz is None


@pytest.mark.parametrize(
    "text",
    ["", "----", "1.0E", "E+07", "1.0.0E7", "1,0", "10 000 000", "1e7 kHz", "1e7 H", "1e7HzHz",
     "0x10", "inf", "nan", "１０", "1_000", "1e+9999", "1\x1b[31m", "9" * 30],
)  # fmt: skip
def test_only_a_whole_number_is_a_reading(text: str) -> None:
    """The reply is matched in full; Python's own float accepts several of these."""
    made, _ = counter(READ=[READING, text])
    made.measure(2.5)

    with pytest.raises(ReplyError) as caught:
        made.measure(2.5)

    assert str(caught.value).isprintable()


@given(st.text(max_size=80))
def test_any_text_is_a_reading_or_refused(text: str) -> None:
    """No other error is raised."""
    made, _ = counter(READ=[READING, text])
    made.measure(2.5)

    try:
        value = made.measure(2.5).value_hz
    except ReplyError:
        return

    assert value is None or value == Decimal(text.upper().removesuffix("HZ").strip())


@pytest.mark.parametrize("late_s", [3.0, 5.0])
def test_a_late_reading_is_never_taken_for_the_next(late_s: float) -> None:
    """The identity is queried until it comes, and answers before it are skipped."""
    late = Reply("+1.00000009999E+07", after_s=late_s)
    made, link = counter(READ=[gated(), late, gated()])
    made.gate_s()
    made.measure(2.5)
    with pytest.raises(ReplyTimeout):
        made.measure(2.5)

    values = [made.measure(2.5).value_hz for _ in range(3)]

    assert values == [Decimal("10000000.0231")] * 3
    assert link.sent.count("*IDN?") >= 2


def test_another_identity_after_a_missed_answer_ends_the_link() -> None:
    """Only the same identity proves that answers belong to their queries."""
    made, _ = counter(READ=MUTE, **{"*IDN": [IDENTITY, "Tide Works,Counter B,0018,1.0"]})
    made.gate_s()
    with pytest.raises(ReplyTimeout):
        made.measure(2.5)

    with pytest.raises(LinkLost, match="no longer answers"):
        made.measure(2.5)


@pytest.mark.parametrize("code", ["-350", "-500"])
def test_a_restarted_counter_is_opened_again(code: str) -> None:
    """Its settings may have changed."""
    made, _ = counter(READ=[gated(), MUTE, gated()], SYST_ERR=[f'{code},"..."', NO_ERROR])
    made.measure(2.5)
    with pytest.raises(ReplyTimeout):
        made.measure(2.5)

    with pytest.raises(LinkLost, match="restarted"):
        made.measure(2.5)


def test_a_fault_of_the_counter_is_shown_in_its_own_words() -> None:
    """-3xx is a fault of the instrument itself, which is reported."""
    made, _ = counter(
        READ=[gated(), MUTE, gated()], SYST_ERR=['-313,"Calibration memory lost"', NO_ERROR]
    )
    made.measure(2.5)
    with pytest.raises(ReplyTimeout):
        made.measure(2.5)

    with pytest.raises(ReplyError, match="Calibration memory lost"):
        made.measure(2.5)

    assert made.measure(2.5).value_hz == Decimal("10000000.0231")


def test_an_instrument_without_readings_is_no_counter() -> None:
    """To this SCPI instrument READ? is an undefined header."""
    made, _ = counter(READ=MUTE, SYST_ERR=['-113,"Undefined header"', NO_ERROR])
    with pytest.raises(ReplyTimeout):
        made.measure(2.5)

    with pytest.raises(NotACounter, match="Undefined header"):
        made.measure(2.5)


def test_a_counter_that_only_has_fetch_is_watched() -> None:
    """It lacks INIT:CONT? and READ?, and runs free."""
    link: FakeLink

    def newest() -> str:
        return f"1000000{int(link.now() / 0.5) % 10}.1"

    link = FakeLink({"*IDN?": IDENTITY, "FETC?": newest})
    made = ScpiCounter(link)
    made.identify()
    began_s = link.now()

    values = [made.measure(30.0).value_hz for _ in range(3)]

    assert link.now() - began_s < 4.0
    assert values == [Decimal(f"1000000{k}.1") for k in (2, 3, 4)]
    assert "READ?" not in link.sent


def test_a_slow_counter_that_only_has_fetch_is_recognised() -> None:
    """Its result does not change during the test, but it reports that it lacks READ?."""
    link: FakeLink

    def newest() -> str:
        return f"1000000{int(link.now() / 10)}.1"

    error = ['-113,"Undefined header"', NO_ERROR]
    link = FakeLink({**COUNTER, "READ?": MUTE, "INIT:CONT?": MUTE, "FETC?": newest,
                     "SYST:ERR?": [NO_ERROR, *error, *error]})  # fmt: skip
    made = ScpiCounter(link)
    made.identify()
    with pytest.raises(ReplyTimeout):
        made.measure(2.5)

    taken = [made.measure(30.0) for _ in range(25)]

    new = [m.value_hz for m in taken if not m.repeat]
    assert new == [Decimal(f"1000000{k}.1") for k in range(len(new))]
    assert len(new) >= 3
    assert link.sent.count("READ?") == 1


@pytest.mark.parametrize("unit", ["HZ", " Hz", " hz"])
def test_a_unit_behind_the_number_is_read(unit: str) -> None:
    """Hertz only, so that no prefix is guessed."""
    made, _ = counter(READ=[f"10000000.0231{unit}", "10.0000000231 MHZ"])

    assert made.measure(2.5).value_hz == Decimal("10000000.0231")
    with pytest.raises(ReplyError, match="MHZ"):
        made.measure(2.5)


def test_an_older_error_in_the_queue_does_not_matter() -> None:
    """An error of an earlier user may be queued; a reported gate shows a counter."""
    made, _ = counter(READ=[MUTE, gated()], SYST_ERR=['-113,"Undefined header"', NO_ERROR])
    made.gate_s()
    with pytest.raises(ReplyTimeout):
        made.measure(2.5)

    assert made.measure(2.5).value_hz == Decimal("10000000.0231")


def test_three_replies_that_are_no_numbers_are_no_counter() -> None:
    """Before any number came; later such replies are passing faults."""
    made, _ = counter(READ="hello")
    for _ in range(2):
        with pytest.raises(ReplyError):
            made.measure(2.5)

    with pytest.raises(NotACounter, match="'hello'"):
        made.measure(2.5)


def test_read_again_sooner_than_a_gate_is_a_repeat() -> None:
    """The same text within the time of a gate is the same measurement."""
    made, _ = counter(READ=[gated(), READING, gated()])
    made.gate_s()

    repeats = [made.measure(2.5).repeat for _ in range(3)]

    assert repeats == [False, True, False]


def test_a_doubled_answer_costs_no_reading() -> None:
    """The copy that comes after the next query is dropped, and the real answer waited for."""
    echoed = Reply("1.00000000001E+07", after_s=1.0, times=2, apart_s=0.01)
    made, link = counter(READ=[echoed, gated("1.00000000002E+07"), gated("1.00000000003E+07")])
    made.gate_s()
    began_s = link.now()

    taken = [made.measure(2.5) for _ in range(3)]

    assert [str(m.value_hz) for m in taken] == ["10000000.0001", "10000000.0002", "10000000.0003"]
    assert [m.repeat for m in taken] == [False] * 3
    assert [m.arrived_s - began_s for m in taken] == pytest.approx([1.0, 2.0, 3.0], abs=0.01)
    assert made.time_base() == TimeBase("external")


def test_a_doubled_reading_is_not_taken_for_a_setting() -> None:
    """The copy that comes after the gate's query is no gate of 10 million seconds."""
    echoed = Reply(READING, after_s=1.0, times=2, apart_s=0.01)
    slow = {q: Reply(COUNTER[q], after_s=0.05) for q in ("FREQ:APER?", "ROSC:SOUR?")}
    made, _ = identified({**COUNTER, **slow, "READ?": [echoed, gated()]})
    made.gate_s()

    made.measure(2.5)
    told = made.gate_s(), made.time_base()

    assert told == (1.0, TimeBase("external"))
    assert made.measure(2.5).repeat is False


# ------------------------------------------------------------- free-running counters


def running(link_values: list[str], period_s: float = 1.0) -> tuple[ScpiCounter, FakeLink]:
    """Return a counter with INIT:CONT ON whose newest result changes every `period_s`."""
    link: FakeLink

    def newest() -> str:
        return link_values[min(int(link.now() / period_s), len(link_values) - 1)]

    link = FakeLink({**COUNTER, "INIT:CONT?": "1", "FETC?": newest})
    made = ScpiCounter(link)
    made.identify()
    made.gate_s()
    return made, link


def test_a_running_counter_is_fetched_and_never_restarted() -> None:
    """READ? would abort its measurement; each result is returned once."""
    values = [f"1000000{n}.{n}" for n in range(10)]
    made, link = running(values)

    got = [made.measure(2.5) for _ in range(8)]

    assert [str(m.value_hz) for m in got] == values[:8]
    assert not any(m.repeat for m in got)
    assert "READ?" not in link.sent


def test_a_coarse_running_counter_may_read_the_same_again() -> None:
    """Where results differ by a digit at times, equal ones are new measurements too."""
    values = ["10000000.0", "10000000.0", "10000000.1", "10000000.1", "10000000.0"] * 8
    made, link = running(values)
    began_s = link.now()

    got = [made.measure(2.5) for _ in range(25)]

    assert not any(m.repeat for m in got)
    # an equal result counts only after a little more than a gate, so none is invented
    assert link.now() - began_s >= 24.0


def test_a_running_counter_that_stopped_is_recognised() -> None:
    """Results that always differed by many digits are not equal by chance."""
    values = [f"10000000.{n * 7919 % 10000:04d}" for n in range(8)]
    made, _ = running(values)

    got = [made.measure(2.5).repeat for _ in range(12)]

    assert got == [False] * 8 + [True] * 4


def test_dead_time_is_learned_so_no_reading_is_invented() -> None:
    """A gate of 1 s with a result every 1.6 s: an unchanged result may still be the old one."""
    values = [f"10000000.{n * 7919 % 10000:04d}" for n in range(20)]
    made, _ = running(values, period_s=1.6)

    got = [made.measure(4.0) for _ in range(12)]

    fresh = [str(m.value_hz) for m in got[3:] if not m.repeat]
    assert len(fresh) == len(set(fresh))


def test_no_result_yet_is_waited_for() -> None:
    """The error queue gets -230 and FETC? no answer until there is a valid result."""
    made, link = identified(
        {**COUNTER, "INIT:CONT?": "1", "FETC?": [MUTE, "9.91E37", READING],
         "SYST:ERR?": ['-230,"Data corrupt or stale"', NO_ERROR]}
    )  # fmt: skip
    made.gate_s()

    assert made.measure(10.0).value_hz == Decimal("10000000.0231")
    assert link.sent.count("FETC?") == 3


def test_an_odd_result_of_a_running_counter_is_skipped() -> None:
    """It may be another query's answer, so the identity is queried before the next."""
    made, link = identified(
        {**COUNTER, "INIT:CONT?": "1", "FETC?": ["10000000.1", "EXT", "10000000.2"]}
    )
    made.gate_s()
    made.measure(2.5)

    assert made.measure(2.5).value_hz == Decimal("10000000.2")
    assert link.sent.count("*IDN?") == 2


@pytest.mark.parametrize(("wait_s", "is_kept"), [(0.2, True), (10.0, False)])
def test_results_missed_with_an_answer_are_reported_first(wait_s: float, is_kept: bool) -> None:
    """FETC? is unanswered for a second; the result after that is neither lost nor dated late."""
    link: FakeLink

    def number() -> int:
        return 10_000_000 + int(link.now() / 0.25)

    script: Script = {
        **COUNTER,
        "FREQ:APER?": "0.25",
        "INIT:CONT?": "1",
        "FETC?": lambda: MUTE if 0.52 < link.now() < 0.8 else str(number()),
    }
    made, link = identified(script)
    made.gate_s()
    before = [made.measure(1.75).value_hz for _ in range(3)]

    with pytest.raises(ReplyTimeout, match="no reply within 1 s"):
        made.measure(1.75)
    found = number()
    link.pause(wait_s)
    after = made.measure(1.75)

    assert before == [10_000_000, 10_000_001, 10_000_002]
    assert found > 10_000_003
    assert after.value_hz == (found if is_kept else number())


def test_overrange_of_a_running_counter_is_reported_once_a_gate() -> None:
    """And not with each poll."""
    made, link = identified({**COUNTER, "INIT:CONT?": "1", "FETC?": "9.9E37"})
    made.gate_s()
    began_s = link.now()

    values = [made.measure(2.5).value_hz for _ in range(5)]

    assert values == [None] * 5
    assert link.now() - began_s >= 5.0


def test_an_unchanged_result_without_a_known_gate_is_a_repeat() -> None:
    """Without a gate and without a change no result is known to be new."""
    judge = RepeatDetector()

    verdicts = [judge.judge(Decimal(10_000_000), 0.1, at_s, 0.02) for at_s in (0.0, 0.5, 1.1, 1.5)]

    assert verdicts == [True, None, False, None]


# ------------------------------------------------------------- requested settings


def test_only_the_gate_is_set_and_read_back() -> None:
    """One command, in the form that the counter has; the gate reported is the counter's answer."""
    made, link = counter(FREQ_APER=["1.0", "+9.99999E-02"])

    got = made.configure(Setup(gate_s=0.1))

    assert got == Setup(gate_s=0.0999999)
    assert [c for c in link.sent if not c.endswith("?")] == ["FREQ:APER 0.1"]


def test_a_refused_gate_quotes_the_counters_error() -> None:
    """-222 is the standard's data out of range."""
    made, _ = counter(SYST_ERR=[NO_ERROR, '-222,"Data out of range"', NO_ERROR])

    with pytest.raises(UsageError, match=r"refuses a gate of 1000 s.*Data out of range"):
        made.configure(Setup(gate_s=1000.0))


def test_a_gate_that_no_command_sets_is_refused() -> None:
    """No command is tried."""
    made, link = identified({"*IDN?": IDENTITY, "READ?": gated()})

    with pytest.raises(UsageError, match="front panel"):
        made.configure(Setup(gate_s=1.0))

    assert all(command.endswith("?") for command in link.sent)


def test_a_channel_is_set_and_read_back() -> None:
    """SCPI-1999 SENSe:FUNCtion takes the channel as a suffix of the function's name."""
    made, link = counter(FUNC='"FREQ 2"')

    assert made.configure(Setup(channel=2)) == Setup(channel=2)
    assert 'FUNC "FREQ 2"' in link.sent


def test_the_front_panel_returns_to_local_after_a_setting() -> None:
    """By the last command: a query after it would set remote again."""
    made, link = counter()
    made.configure(Setup(gate_s=1.0))
    del link.sent[:]

    made.release()

    assert link.sent == ["SYST:LOC"]


def test_equal_answers_quicker_than_the_gate_count_in_the_end() -> None:
    """READ? starts a measurement each time (SCPI-1999 vol. 2, 3.4): equal results are results.

    The first few equal ones that come too soon may be doubled answers; once queries and answers are
    proved to be synchronised, they are readings.
    """
    made, _ = counter(READ=READING)
    made.gate_s()

    repeats = [made.measure(2.5).repeat for _ in range(8)]

    assert repeats == [False, True, True, True, False, False, False, False]
