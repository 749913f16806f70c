"""The examination of a counter: its checks, and a drafted profile that can read the counter."""

import re
from decimal import Decimal
from typing import Any

import pytest
from acquisition_kit import COUNTER

from benchwatch.conformance import Check, Examination, Findings, LoggedLink, profile_draft
from benchwatch.conformance.profile_draft import line_pattern
from benchwatch.counter import Setup
from benchwatch.errors import NoReadings, ReplyTimeout, UsageError
from benchwatch_drivers.bundled_profiles import bundled, load
from benchwatch_drivers.profile.profile_file import read_profile
from benchwatch_drivers.scpi.scpi_driver import ScpiCounter
from benchwatch_simulators.fake_bus import CLOSED, MUTE, FakeLink, Reply

READINGS = ["+1.00000000231E+07", "+1.00000000232E+07", "+1.00000000230E+07"]
PROFILES = {path.stem: path for path in bundled()}


def scpi(**changes: Any) -> FakeLink:
    """Return a counter with a gate of a second."""
    readings = [Reply(text, after_s=1.0) for text in READINGS]
    changes = {name.replace("_", ":") + "?": value for name, value in changes.items()}
    return FakeLink({**COUNTER, "READ?": readings, **changes})


def talking(*lines: str, gate_s: float = 0.5) -> FakeLink:
    """Return a talk-only counter that sends a line a gate."""
    link = FakeLink({})
    said = iter(lines)

    def read(timeout_s: float) -> str:
        link.clock.advance(gate_s)
        line = next(said, None)
        if line is None:
            link.clock.advance(timeout_s)
            raise ReplyTimeout("no reply. This is a script.")
        link.arrived_s = link.now()
        return line

    link.read = read  # type: ignore[method-assign]
    return link


def examined(link: FakeLink, make: Any = ScpiCounter, readings: int = 3) -> tuple[dict, Findings]:
    """Run an examination; return its checks by name, and the findings."""
    examination = Examination(link, make, readings=readings)
    checks: dict[str, Check] = {}
    for check in examination:
        assert check.name not in checks
        checks[check.name] = check
    return checks, examination.findings


# ------------------------------------------------------------- the checks


def test_a_good_counter_is_good_in_every_check():
    """Identity, external time base, gate, pace, resolution, spread; only queries are sent."""
    link = scpi()
    checks, findings = examined(link)

    assert [name for name, check in checks.items() if not check.good] == []
    assert "1 s each" in checks["pace"].says
    assert checks["resolution"].says == "last digit 0.0001 Hz, 1e-11 of the reading"
    assert "10000000.0230 Hz, near 10 MHz" in checks["value"].says
    assert "0.0001 Hz" in checks["value"].says  # the scatter of 231, 232, 230: exactly 1e-4
    assert findings.gate_s == 1.0
    assert [float(v) for v in findings.values] == [float(text) for text in READINGS]
    assert all("?" in text for text in link.sent)


def test_a_missing_gate_or_time_base_is_no_fault():
    """No gate and no time base give a dash, not a NO; the readings decide."""
    readings = [Reply(text, after_s=1.0) for text in READINGS]
    link = FakeLink({"*IDN?": COUNTER["*IDN?"], "READ?": readings})
    checks, findings = examined(link)

    assert (checks["gate"].good, checks["time base"].good) == (None, None)
    assert "front panel" in checks["time base"].says
    assert checks["readings"].good
    assert findings.time_base.source == "unknown"


def test_an_internal_time_base_is_a_caution():
    """The caution explains its meaning."""
    checks, _ = examined(scpi(ROSC_SOUR="INT"))

    assert checks["time base"].good is None
    assert "its own oscillator" in checks["time base"].says


def test_a_counter_that_gives_no_reading_is_not_waited_for_long():
    """A counter with an identity only is NO, with the reason, after three gates."""
    link = scpi()
    link._script = {**link._script, "READ?": MUTE}  # type: ignore[dict-item]
    checks, findings = examined(link)

    assert checks["readings"].good is False
    assert "no reply within" in checks["readings"].says
    assert findings.values == []
    assert link.now() < 60.0


def test_a_mute_counter_without_a_gate_is_given_up_after_the_first_wait():
    """It is waited for once, for thirty seconds."""
    link = FakeLink({"*IDN?": COUNTER["*IDN?"]})
    checks, _ = examined(link)

    assert checks["readings"].good is False
    assert link.now() < 60.0


@pytest.mark.parametrize("identity", [MUTE, CLOSED, "+1.0E+07"])
def test_another_instrument_ends_the_examination_with_a_reason(identity):
    """The error is kept for the exit code, and is not raised during the checks."""
    checks, findings = examined(FakeLink({"*IDN?": identity}))

    assert checks["run"].good is False
    assert findings.error is not None
    assert findings.taken == ()


def test_endless_repeats_are_a_fault():
    """A counter that returns one result at once is not measuring."""
    checks, _ = examined(scpi(READ=Reply(READINGS[0], after_s=1.0)))

    assert checks["repeats"].good is None
    assert "is it measuring?" in checks["repeats"].says


def test_repeats_within_a_gate_are_marked_and_not_used():
    """Three answers within one gate are one measurement."""
    checks, findings = examined(scpi(READ=READINGS[0]))

    assert "2 of 3 were handed out a second time" in checks["repeats"].says
    assert len(findings.values) == 1
    assert checks["pace"].good is None
    assert "quicker than its gate" in checks["pace"].says


def test_overrange_is_no_reading():
    """No signal, or too large a one: 9.9E37 (SCPI-1999 volume 1, 7.2.1.5)."""
    checks, findings = examined(scpi(READ=Reply("9.9E37", after_s=1.0)))

    assert checks["readings"].good is False
    assert "overrange" in checks["readings"].says
    assert findings.values == []


def test_a_command_that_had_to_be_sent_is_shown():
    """A terse counter's trigger is a letter and not a query."""
    make = load(PROFILES["terse"])
    reply = Reply("F   10.0000000231E+06", after_s=0.2)
    checks, findings = examined(FakeLink({"T": reply}), make)

    assert findings.values, checks["readings"].says
    assert checks["nothing set"].good is None
    assert checks["nothing set"].says.endswith(": T")


def test_the_wiretap_distinguishes_answers_from_unasked_lines():
    """A query and its answer are one exchange, also when sent and read apart."""
    tap = LoggedLink(FakeLink({"A?": "1", "B": Reply("2", after_s=0.5)}))
    tap.topic = "reading"
    tap.query("A?", 1.0)
    tap.write("B")
    tap.read(1.0)

    assert [(e.sent, e.received) for e in tap.about("reading")] == [("A?", "1"), ("B", "2")]
    assert tap.exchanges[1].took_s == pytest.approx(0.5)
    assert tap.commands() == ["B"]


def test_the_wiretap_is_a_link_to_any_driver():
    """A gate is set through it as through the link itself."""
    link = scpi(FREQ_APER=["1.0", "0.5"])
    counter = ScpiCounter(LoggedLink(link))
    counter.identify()
    counter.gate_s()

    assert counter.configure(Setup(gate_s=0.5)) == Setup(gate_s=0.5)


# ------------------------------------------------------------- the draft


def drafted(tmp_path, findings: Findings) -> Any:
    """Write the draft, read it as a profile, and return its driver."""
    path = tmp_path / "drafted.toml"
    path.write_text(profile_draft(findings))
    read_profile(path)
    return load(path)


def test_the_profile_drafted_from_a_counter_reads_that_counter_again(tmp_path):
    """Readings, gate and time base are the same by the profile alone."""
    _, findings = examined(scpi())
    make = drafted(tmp_path, findings)
    checks, again = examined(scpi(), make)

    assert again.values == findings.values
    assert (again.gate_s, again.time_base) == (findings.gate_s, findings.time_base)
    assert [name for name, check in checks.items() if not check.good] == []


def test_the_drafted_pattern_refuses_every_cut_of_the_lines_seen(tmp_path):
    """read_profile cuts each example at every place; this test does so independently."""
    _, findings = examined(scpi())
    pattern = drafted(tmp_path, findings).profile.line.pattern

    assert pattern.match(READINGS[0])
    cuts = [READINGS[0][:n] for n in range(1, 18)] + [READINGS[0][n:] for n in range(1, 18)]
    assert [text for text in cuts if pattern.match(text)] == []


def test_a_talk_only_counter_is_drafted_as_a_stream(tmp_path):
    """Mode, unit and examples come from the lines, which have grouped digits and a unit."""
    lines = [f"10.000 000 0{n} MHz" for n in range(20, 30)]
    _, findings = examined(talking(*lines), load(PROFILES["talk-only-display"]))
    profile = drafted(tmp_path, findings).profile

    assert profile.mode == "stream"
    assert profile.examples[0].value == Decimal("10000000.021")
    assert profile.line.pattern.match("10.000 000 999 MHz")
    assert not profile.line.pattern.match("10.000 000 99 MHz")


def test_a_terse_counter_is_drafted_with_its_trigger(tmp_path):
    """The letter that triggers it is the command of a reading."""
    link = FakeLink({"T": Reply("F   10.0000000231E+06", after_s=0.2)})
    _, findings = examined(link, load(PROFILES["terse"]))
    profile = drafted(tmp_path, findings).profile

    assert profile.reading == "T"
    assert profile.examples[0].value == Decimal("10000000.0231")


@pytest.mark.parametrize(
    ("seen", "fits", "does_not"),
    [
        ("10.000 000 24 MHz", "9.999 999 98 MHz", "10.000 000 2 MHz"),
        ("10000000.24", "9999999.98", "10000000.2"),
        ("+1.00000000231E+07", "+9.99999997690E+06", "+1.0000000023E+07"),
        ("F   10.0000024E+06,", "F    9.9999924E+06,", "F   10.0000024E+06"),
    ],
)
def test_a_drafted_pattern_also_reads_values_with_one_digit_less(seen, fits, does_not):
    """From lines of 10 MHz it also reads 9.999..."""
    pattern, counted = line_pattern([seen])

    assert counted
    assert re.fullmatch(pattern, seen)
    assert re.fullmatch(pattern, fits)
    assert not re.fullmatch(pattern, does_not)


def test_a_varying_number_of_digits_is_in_the_draft():
    """For 1.5 and 1.25 only the line's end shows whether a number is whole."""
    pattern, counted = line_pattern(["9999999.5", "9999999.25"])

    assert not counted
    assert re.fullmatch(pattern, "10000000.125")


def test_no_draft_without_a_reading():
    """Without a line there is no pattern."""
    _, findings = examined(FakeLink({"*IDN?": COUNTER["*IDN?"]}))

    with pytest.raises(NoReadings, match="no draft"):
        profile_draft(findings)


def test_no_draft_of_a_counter_that_compares_phase():
    """Its lines do not show period and sign; the sentence names a profile to begin with."""
    lines = [f"+2.5000000{n:02d}E-01" for n in range(30)]
    _, findings = examined(talking(*lines, gate_s=1.0), load(PROFILES["interval-talk-only"]))
    assert findings.taken

    with pytest.raises(UsageError, match="drivers show interval"):
        profile_draft(findings)
