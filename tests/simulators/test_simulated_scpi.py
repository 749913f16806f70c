"""The simulated instrument compared with IEEE 488.2 and SCPI-1999; clauses from memory."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from load_kit import wait_until
from simulated_kit import IDENTITY, a_counter, a_counting, errors_of

from benchwatch_simulators.oscillator.oscillator import OscillatorSpec
from benchwatch_simulators.scpi.scpi_errors import ErrorQueue, ScpiError
from benchwatch_simulators.servers.message_exchange import MessageExchange


@pytest.mark.parametrize(
    "header",
    [
        "FREQ:APER?",
        "frequency:aperture?",
        "Freq:Aperture?",
        ":FREQ:APER?",
        "SENS:FREQ:APER?",
        "SENSe:FREQuency:CW:APERture?",
        "SENS1:FREQ:APER?",
        "  :sense1:freq:aper?  ",
    ],
)
def test_every_spelling_of_a_header(header):
    """Long and short forms in any case, optional nodes, suffix 1 (SCPI-99 vol. 1, 6.2)."""
    assert a_counter().execute(header) == "+2.500000E-01"


# SCPI-99 vol. 1, 6.2.1: only the exact long and short forms are accepted; codes vol. 2, 21.8.
@pytest.mark.parametrize(
    ("message", "code"),
    [
        ("FOO", -113),
        ("FREQU:APER?", -113),
        ("FREQ:APE?", -113),
        ("FREQ:GATE:TIME?", -113),
        ("READ", -113),
        ("*FOO?", -113),
        ("SENS2:FREQ:APER?", -114),
        ("FREQ1:APER?", None),
        ("FREQ3:APER?", -114),
        ("FREQ:APER?X", -111),
        ("FREQ::APER?", -102),
        ("FREQUENCYAPERTURE:X", -112),
        ("\x1b[2J", -101),
        ("\xff\xfe", -101),
        ("#H10", -101),
        ("1FREQ", -102),
        ("FREQ:APER", -109),
        ("FREQ:APER 1,2", -108),
        ("*RST 1", -108),
        ("FREQ:APER ,", -109),
        ("FREQ:APER OFTEN", -104),
        ("FREQ:APER 'x'", -104),
        ("FREQ:APER 1.2.3", -131),
        ("FREQ:APER +", -120),
        ("FREQ:APER 1 HZ", -131),
        ("FREQ:APER 1 XS", -131),
        ("FREQ:APER 1E99999", -123),
        ("FREQ:APER #15abcde", -168),
        ("*ESE 1 S", -138),
        ("FREQ:APER 'x", -151),
        ("MEAS:FREQ? (@1", -171),
        ("FREQ:APER 1000", -222),
        ("FREQ:APER -1", -222),
        ("*ESE 256", -222),
        ("INP:COUP GROUND", -224),
        ("INP:COUP 5", -104),
        ("INP:IMP 75", -224),
        ("INIT:CONT MAYBE", -224),
        ("FREQ:APER? SOON", -224),
        ("MEAS:FREQ? (@2)", -224),
        ("FETC?", -230),
        ("*TRG", -211),
    ],
)
def test_each_mistake_has_the_standards_code(message, code):
    """Each mistake queues one error, the standard's own, and has no response."""
    counter = a_counter()

    response = counter.execute(message)

    assert errors_of(counter) == ([] if code is None else [code])
    assert (response is None) == (code is not None)


@pytest.mark.parametrize(
    ("written", "seconds"),
    [
        ("1", 1.0),
        ("1S", 1.0),
        ("1 S", 1.0),
        ("100MS", 0.1),
        ("100 ms", 0.1),
        ("50000us", 0.05),
        ("1.5e0", 1.5),
        ("+.5", 0.5),
        ("1E-1 S", 0.1),
        ("1 E -1", 0.1),
        ("0.002KS", 2.0),
        ("#HA", 10.0),
        ("#B101", 5.0),
        ("MIN", 0.001),
        ("MAXimum", 100.0),
        ("max", 100.0),
        ("DEF", 0.25),
    ],
)
def test_numbers_with_units_and_names(written, seconds):
    """Decimal data with suffix multipliers (488.2 7.7.2-3), MIN, MAX, DEF (SCPI-99 7.2.1)."""
    counter = a_counter()

    counter.execute(f"FREQ:APER {written}")

    assert float(counter.execute("FREQ:APER?")) == pytest.approx(seconds)
    assert errors_of(counter) == []


def test_m_is_mega_for_hertz():
    """MHZ is 1e6, MS is 1e-3, MAHZ is mega too (IEEE 488.2 table 7-2)."""
    counter = a_counter()

    for expected in ("10MHZ", "10 MAHZ", "1e7"):
        counter.execute(f"CONF:FREQ {expected}, 0.001")
        assert float(counter.execute("FREQ:APER?")) == pytest.approx(0.1)


def test_limits_can_be_asked_for():
    """A query with MIN or MAX answers the limit and sets nothing (SCPI-99 7.2.1)."""
    assert a_counter().execute("FREQ:APER? MIN;APER? MAX;APER?") == (
        "+1.000000E-03;+1.000000E+02;+2.500000E-01"
    )


def test_a_header_is_relative_to_the_last_one():
    """Path rule of SCPI-99 6.2.4: relative to the last node but one; common commands keep it."""
    counter = a_counter()

    path = counter.execute("ROSC:SOUR INT;SOUR?;*ESE?;SOUR:AUTO?")
    beyond = counter.execute("AUTO?")

    assert path == "INT;0;0"
    assert beyond is None
    assert errors_of(counter) == [-113]


def test_a_colon_goes_to_the_root():
    """After a header elsewhere a colon starts at the root; without it the header is undefined."""
    counter = a_counter()

    assert counter.execute("FREQ:APER 0.5;:INP:COUP DC;:FREQ:APER?") == "+5.000000E-01"
    assert counter.execute("FREQ:APER 0.5;INP:COUP AC") is None
    assert errors_of(counter) == [-113]
    assert counter.execute("INP:COUP?") == "DC"


def test_a_command_error_ends_its_message_an_execution_error_does_not():
    """After -1xx the parser resynchronises at the terminator; after -2xx it continues."""
    counter = a_counter()

    assert counter.execute("INP:COUP?;FOO;*OPC?") == "AC"
    assert counter.execute("INP:COUP?;:FREQ:APER 999;*OPC?") == "AC;1"
    assert errors_of(counter) == [-113, -222]


def test_identity_must_be_asked_last():
    """*IDN? has an arbitrary response: a query after it is -440 (IEEE 488.2 6.5.7.5, 10.14)."""
    counter = a_counter()

    assert counter.execute("*OPC?;*IDN?") == f"1;{IDENTITY}"
    assert counter.execute("*IDN?;*OPC?") == IDENTITY
    assert errors_of(counter) == [-440]


def test_semicolons_in_strings_do_not_split():
    """String data holds any character (IEEE 488.2 7.7.5)."""
    counter = a_counter()

    counter.execute("FUNC 'A;B,C'")
    counter.execute("FUNC 'FREQ'")
    counter.execute("INP:COUP DC;:FUNC 'FREQ")

    assert errors_of(counter) == [-141, -151]
    assert counter.execute("INP:COUP?") == "DC"
    assert counter.execute("FUNC?") == '"FREQ"'


def test_empty_messages_are_allowed():
    """An empty program message is no error (IEEE 488.2 7.3)."""
    counter = a_counter()

    assert [counter.execute(text) for text in ("", "   ", ";", "*CLS;")] == [None] * 4
    assert errors_of(counter) == []


def test_power_on_and_error_bits():
    """ESR: PON 128, command 32, execution 16, query 4, OPC 1 (488.2 11.5.1); reading clears."""
    counter = a_counter()

    seen = [counter.execute("*ESR?")]
    for message in ("FOO", "FREQ:APER 999", "*IDN?;*OPC?", "*OPC"):
        counter.execute(message)
        seen.append(counter.execute("*ESR?"))

    assert seen == ["128", "32", "16", "4", "1"]
    assert counter.execute("*ESR?") == "0"


def test_status_byte_sums_up():
    """Error queue 4, MAV 16, ESB 32, MSS 64 (488.2 11.2, SCPI-99 9.2); *CLS clears."""
    counter = a_counter()

    counter.execute("*CLS;*ESE 32;*SRE 32")
    quiet = counter.execute("*STB?")
    counter.execute("FOO")
    noisy = counter.execute("*STB?")
    counter.execute("*CLS")

    assert (quiet, noisy) == ("0", str(4 + 32 + 64))
    assert counter.execute("*STB?;*STB?") == "0;16"
    assert counter.execute("*ESE?;*SRE?") == "32;32"


def test_service_enable_has_no_bit_six():
    """Bit 6 of *SRE is ignored (IEEE 488.2 11.3.2)."""
    assert a_counter().execute("*SRE 255;*SRE?") == "191"


def test_error_queue_overflows_into_its_last_place():
    """A full queue keeps the oldest and ends with -350 (SCPI-99 vol. 2, 21.8.1)."""
    counter = a_counter()

    for _ in range(30):
        counter.execute("FOO")
    codes = errors_of(counter)

    assert codes == [-113] * 19 + [-350]


def test_error_text_is_the_standards():
    """Code, text, and after a semicolon its cause, without control characters."""
    counter = a_counter()

    counter.execute("F\x1bOO")
    counter.execute("BAR:BAZ?")

    assert counter.execute("SYST:ERR:COUN?") == "2"
    assert counter.execute("SYSTem:ERRor:NEXT?") == '-111,"Header separator error;FOO"'
    assert counter.execute("SYST:ERR?") == '-113,"Undefined header;BAR:BAZ?"'
    assert counter.execute("SYST:ERR?") == '0,"No error"'


def test_what_every_scpi_instrument_has():
    """The required commands of SCPI-99 vol. 1, 4.2.1, and *TST?, *OPC?, *WAI of 488.2."""
    counter = a_counter()

    assert counter.execute("SYST:VERS?") == "1999.0"
    assert counter.execute("*WAI;*TST?;*OPC?") == "0;1"
    assert counter.execute("STAT:PRES;:STAT:OPER:ENAB?;:STAT:QUES:ENAB 32;ENAB?") == "0;32"
    assert counter.execute("STAT:OPER?;:STAT:QUES:COND?;EVEN?") == "0;0;0"
    assert errors_of(counter) == []


def test_status_events_stay_until_read():
    """A measurement leaves MEASuring (16) in the operation events, summed up in bit 7."""
    counter = a_counter()

    counter.execute("STAT:OPER:ENAB 16;:READ?")

    assert counter.execute("*STB?") == "128"
    assert counter.execute("STAT:OPER:EVEN?;COND?;EVEN?") == "16;0;0"


# ------------------------------------------------------------------ measuring


def test_read_is_init_and_fetch():
    """READ? takes one gate of time and gives one number; FETCh? gives the same again."""
    counter = a_counter()

    reading = counter.execute("READ?")

    assert counter.now_s == pytest.approx(0.25)
    assert Decimal(reading) == pytest.approx(Decimal(10_000_000), abs=Decimal("0.001"))
    assert counter.execute("FETC?") == reading
    assert counter.execute("FETCH:FREQUENCY?") == reading
    assert counter.now_s == pytest.approx(0.25)


def test_init_overlaps_and_fetch_waits():
    """INITiate returns at once; *OPC becomes true when the gate closes; FETCh? waits for it."""
    counter = a_counter()

    counter.execute("*CLS;INIT;*OPC")
    before = counter.execute("*ESR?"), counter.execute("STAT:OPER:COND?"), counter.now_s
    counter.execute("FETC?")

    assert before == ("0", "16", 0.0)
    assert counter.now_s == pytest.approx(0.25)
    assert counter.execute("*ESR?") == "1"


def test_opc_query_waits_for_the_gate():
    """*OPC? answers 1 when the pending measurement is complete (IEEE 488.2 10.19)."""
    counter = a_counter()

    assert counter.execute("INIT;*OPC?") == "1"
    assert counter.now_s == pytest.approx(0.25)


@pytest.mark.parametrize(
    "change",
    ["FREQ:APER 0.1", "INP:COUP DC", "INP:IMP 50 OHM", "ROSC:SOUR INT", "CONF:FREQ", "*RST"],
)
def test_a_changed_setting_makes_the_reading_stale(change):
    """FETCh? after any change is -230, not an old number (SCPI-99 vol. 2, 3.3)."""
    counter = a_counter()

    counter.execute("READ?")
    counter.execute(change)

    assert counter.execute("FETC?") is None
    assert errors_of(counter) == [-230]


def test_abort_drops_an_open_gate_but_not_a_finished_reading():
    """ABORt ends the gate in progress; a finished reading stays."""
    counter = a_counter()

    done = counter.execute("READ?")
    counter.execute("ABOR")
    kept = counter.execute("FETC?")
    counter.execute("INIT;:ABOR")

    assert kept == done
    assert counter.execute("FETC?") is None
    assert errors_of(counter) == [-230]


def test_a_running_counter_returns_its_newest_reading():
    """With INIT:CONT ON, FETCh? repeats a reading until the next gate has closed."""
    counter = a_counter(a_counting(OscillatorSpec(white_fm=1e-9)))

    counter.execute("INIT:CONT ON")
    first = counter.execute("FETC?")
    again = counter.execute("FETC?")
    counter._time.clock.advance(0.25)
    later = counter.execute("FETC?")

    assert counter.execute("INIT:CONT?") == "1"
    assert first == again
    assert later != first


def test_running_counter_ignores_init():
    """INITiate, and so READ?, is -213 while running; MEASure? stops it first."""
    counter = a_counter(continuous=True)

    assert counter.execute("READ?") is None
    counter.execute("INIT")
    assert errors_of(counter) == [-213, -213]
    assert counter.execute("MEAS:FREQ?") is not None
    assert counter.execute("INIT:CONT?") == "0"


def test_bus_trigger():
    """A gate armed for the bus opens at *TRG; READ? could never end: -214 (SCPI-99 21.8.10)."""
    counter = a_counter()

    counter.execute("TRIG:SOUR BUS;:INIT")
    counter._time.clock.advance(10.0)
    counter.execute("*TRG")
    reading = counter.execute("FETC?")

    assert Decimal(reading) > 0
    assert counter.now_s == pytest.approx(10.25)
    assert counter.execute("READ?") is None
    assert errors_of(counter) == [-214]


def test_measure_configures():
    """MEASure? sets the gate that gives the resolution asked for, and its default without."""
    counter = a_counter()

    counter.execute("MEAS:SCAL:VOLT:FREQ? 10 MHZ, 0.0001, (@1)")
    fine = counter.execute("FREQ:APER?")
    configuration = counter.execute("CONF?")
    counter.execute("MEAS:FREQ?")

    assert float(fine) == pytest.approx(1.0)
    assert configuration == '"FREQ +1.0000000E+7,+1.000E-04"'
    assert counter.execute("FREQ:APER?") == "+2.500000E-01"


def test_reset_restores_settings_but_not_status():
    """*RST does not change the error queue, ESR and enables (IEEE 488.2 10.32)."""
    counter = a_counter()

    counter.execute("*ESE 7;:FREQ:APER 2;:INP:COUP DC;:ROSC:SOUR INT;:FOO")
    counter.execute("*RST")

    assert counter.execute("FREQ:APER?;:INP:COUP?;:ROSC:SOUR?;SOUR:AUTO?;*ESE?") == (
        "+2.500000E-01;AC;EXT;1;7"
    )
    assert errors_of(counter) == [-113]


def test_reference_oscillator():
    """SOURce? is the one in use; a choice by hand ends AUTO; EXT without one is -221."""
    counter = a_counter()
    counter.counting.reference_present = False

    alone = counter.execute("ROSC:SOUR?;SOUR:AUTO?")
    counter.execute("ROSC:SOUR EXT")
    counter.counting.reference_present = True
    back = counter.execute("ROSC:SOUR?")
    counter.execute("ROSC:SOUR INTernal")

    assert (alone, back) == ("INT;1", "EXT")
    assert counter.execute("ROSC:SOUR?;SOUR:AUTO?") == "INT;0"
    assert errors_of(counter) == [-221]


def test_chosen_reference_that_fails_is_questionable():
    """A reference chosen by hand stays chosen when it drops out; FREQuency (32) is questionable."""
    counter = a_counter()

    counter.execute("ROSC:SOUR EXT")
    counter.counting.reference_present = False

    assert counter.execute("ROSC:SOUR?;:STAT:QUES:COND?") == "EXT;32"


def test_no_number_and_too_large():
    """9.91E37 is not a number, 9.9E37 infinity (SCPI-99 vol. 1, 7.2.1.4-5)."""
    mute, fast = a_counter(), a_counter(a_counting(maximum_hz=Decimal(1000)))
    mute.counting.signal_present = False

    assert mute.execute("READ?") == "+9.91E+37"
    assert mute.execute("STAT:QUES?") == "32"
    assert fast.execute("READ?") == "+9.9E+37"


@pytest.mark.parametrize(
    ("kind", "header"),
    [
        ("aperture", "SENS:FREQ:APER"),
        ("gate-time", "FREQuency:GATE:TIME"),
        ("stop-timer", "SENS:FREQ:ARM:STOP:TIM"),
    ],
)
def test_each_gate_dialect(kind, header):
    """A bench states the gate command of its counter; no counter knows them all."""
    counter = a_counter(gate_command=kind)

    counter.execute(f"{header} 0.5")

    assert counter.execute(f"{header}?") == "+5.000000E-01"


def test_no_gate_answers_without_waiting():
    """Gate 0 takes no time, for benchmarks."""
    counter = a_counter(gate_s=0.0)

    readings = [counter.execute("READ?") for _ in range(5)]

    assert None not in readings
    assert counter.now_s == 0.0


def test_local_and_remote():
    """Any message sets the front panel remote; SYSTem:LOCal returns it to local."""
    counter = a_counter()

    at_first = counter.remote
    counter.execute("*IDN?")
    asked = counter.remote
    counter.execute("SYST:LOC")

    assert (at_first, asked, counter.remote) == (False, True, False)
    assert list(counter.received) == ["*IDN?", "SYST:LOC"]


# ------------------------------------------------------------------ order of queries, hostile text


def test_queries_out_of_order_are_errors():
    """-410 when a response is not read, -420 when there was no query (IEEE 488.2 6.3)."""
    counter = a_counter()
    exchange = MessageExchange(counter)

    exchange.send("*OPC?")
    assert wait_until(lambda: exchange.has_response)
    exchange.send("*TST?")
    assert exchange.take(5).data == b"0\n"
    assert exchange.take(0.05) is None
    exchange.send("*OPC?")
    assert wait_until(lambda: exchange.has_response)
    exchange.clear()

    assert not exchange.has_response
    exchange.close()
    assert errors_of(counter) == [-410, -420]


@given(st.text(st.characters(max_codepoint=255), max_size=60))
def test_any_text_is_answered_or_queued(text):
    """No message breaks the instrument, and the queued error is one printable ASCII line."""
    counter = a_counter(gate_s=0.001)

    counter.execute(text)
    queued = counter.errors.pop()

    assert queued.isascii()
    assert queued.isprintable()
    assert counter.execute("*OPC?") == "1"


def test_every_class_has_its_event_bit():
    """488.2 11.5.1: -1xx command 32, -2xx execution 16, -3xx device 8, -4xx query 4."""
    bits = {code: ScpiError(code).event_bit for code in (-113, -222, -350, -363, -410)}

    assert bits == {-113: 32, -222: 16, -350: 8, -363: 8, -410: 4}


def test_a_fresh_queue_has_no_error():
    """An empty queue answers 0 (SCPI-99 vol. 2, 21.8.1)."""
    assert ErrorQueue().pop() == '0,"No error"'
