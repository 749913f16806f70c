"""Quantities: texts typed by people, texts written by counters, texts shown to people."""

import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwatch.errors import QuantityError, ReplyError
from benchwatch.quantity import (
    PARTS_IN_1E12,
    PPB,
    PPM,
    difference,
    format_duration,
    format_frequency,
    last_digit,
    offset_unit,
    parse_duration,
    parse_fraction,
    parse_frequency,
    parse_reply,
    parse_settle,
    printable,
    round_nominal,
    write_clock_gain,
    write_derived_hz,
    write_fraction,
    write_hz,
)

TEN_MHZ = Decimal(10_000_000)


@pytest.mark.parametrize(
    ("text", "hertz"),
    [
        ("10MHz", "10000000"),
        ("10 MHz", "10000000"),
        ("10 MHZ", "10000000"),
        ("10M", "10000000"),
        ("1e7", "10000000"),
        ("10 000 000 Hz", "10000000"),
        ("10000000", "10000000"),
        ("32.768kHz", "32768"),
        ("12.8 MHz", "12800000"),
        ("1.2 GHz", "1200000000"),
        ("10 mHz", "0.01"),
    ],
)
def test_every_form_of_a_frequency(text: str, hertz: str) -> None:
    """A capital M is mega, a small m milli; blanks and grouping do not matter."""
    assert parse_frequency(text) == Decimal(hertz)


@pytest.mark.parametrize("text", ["10mhz", "10m", "10 m"])
def test_milli_or_mega_is_asked_and_never_guessed(text: str) -> None:
    """An ambiguous prefix is refused with a question."""
    with pytest.raises(QuantityError, match="mega or milli"):
        parse_frequency(text)


@pytest.mark.parametrize(
    "text", ["", "MHz", "ten", "-10MHz", "0", "10,5 MHz", "10 MHz please", "1e7e7", "nan", "1_0"]
)
def test_a_text_that_is_no_frequency_is_refused_with_the_forms_that_are(text: str) -> None:
    """The sentence quotes the text and shows a form that works."""
    with pytest.raises(QuantityError) as caught:
        parse_frequency(text)

    assert f"'{text}'" in str(caught.value)
    assert "10MHz" in str(caught.value)


@pytest.mark.parametrize(
    ("text", "fraction"),
    [
        ("5e-9", 5e-9),
        ("5ppb", 5e-9),
        ("5 PPB", 5e-9),
        ("0.005 ppm", 5e-9),
        ("5 parts in 10^9", 5e-9),
        ("1 part in 10^9", 1e-9),
        ("-2.4ppb", -2.4e-9),
        ("50 mHz", 5e-9),
        ("0.05Hz", 5e-9),
    ],
)
def test_every_form_of_a_fraction(text: str, fraction: float) -> None:
    """The same five parts in 10^9, in each form that technicians write."""
    assert parse_fraction(text, TEN_MHZ) == fraction


@pytest.mark.parametrize("text", ["5", "5 Hz", "5 bananas", "ppb", "5 mhz"])
def test_a_fraction_without_a_usable_unit_is_refused(text: str) -> None:
    """A bare 5 is no tolerance, and hertz need a nominal."""
    with pytest.raises(QuantityError):
        parse_fraction(text)


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("250ms", 0.25), ("1", 1.0), ("1s", 1.0), ("10 min", 600.0), ("2h", 7200.0),
        ("3d", 259200.0),
        ("2 min 10 s", 130.0), ("2min10s", 130.0), ("1h30min", 5400.0), ("1.5 h 1s", 5401.0),
    ],
)  # fmt: skip
def test_every_form_of_a_duration(text: str, seconds: float) -> None:
    """From milliseconds to days."""
    assert parse_duration(text) == seconds


@pytest.mark.parametrize(
    "text",
    ["1m", "0", "-1s", "1 fortnight", "s", "9" * 70, "2min10", "10s 2min", "1h 2h", "2m 10s"],
)
def test_a_text_that_is_no_duration_is_refused(text: str) -> None:
    """A bare m may be minutes or milli."""
    with pytest.raises(QuantityError):
        parse_duration(text)


@pytest.mark.parametrize(
    "text", ["1ppb/10min", "1 ppb / 10 min", "1e-9/600s", "1 ppb in 10 min", "1 ppb per 600"]
)
def test_every_form_of_a_settle_limit(text: str) -> None:
    """A fraction over a time."""
    assert parse_settle(text) == (1e-9, 600.0)


def test_a_settle_limit_per_hour_needs_no_number() -> None:
    """``1ppb/h`` is accepted, and "parts in" is not taken for the slash."""
    assert parse_settle("1ppb/h") == (1e-9, 3600.0)
    assert parse_settle("1 part in 10^9 in 1 h") == (1e-9, 3600.0)


def test_a_settle_limit_without_a_time_is_refused() -> None:
    """An offset alone is no rate."""
    with pytest.raises(QuantityError, match="over which time"):
        parse_settle("1ppb")


@pytest.mark.parametrize(
    ("text", "hertz", "weight"),
    [
        ("10000000.0231", "10000000.0231", 1e-4),
        ("+1.00000002E+07", "10000000.2", 0.1),
        ("10.000 000 24 MHz", "10000000.24", 0.01),
        ("10.0000024E 06", "10000002.4", 0.1),
        ("- 5.3", "-5.3", 0.1),
        ("+9.91E37", "9.91E37", 1e35),
        ("32.7686 kHz", "32768.6", 0.1),
    ],
)
def test_numbers_of_counters(text: str, hertz: str, weight: float) -> None:
    """Formats of older and newer counters, read exactly, with the weight of the last digit."""
    value = parse_reply(text)

    assert value == Decimal(hertz)
    assert last_digit(value) == pytest.approx(weight, rel=1e-12)


@pytest.mark.parametrize(
    "text",
    ["", "F  10", "\x1b[2J1", "1 2", "1.2.3", "1e7 mhz", "10 MW", "nan", "inf", "1" * 65, "0x10",
     "\N{ARABIC-INDIC DIGIT ONE}\N{ZERO WIDTH SPACE}", "1_000", "--1", "1e", "ERR",
     "\N{FULLWIDTH DIGIT ONE}\N{FULLWIDTH DIGIT TWO}"],
)  # fmt: skip
def test_a_reply_that_is_no_number_is_refused(text: str) -> None:
    """Garbage never becomes a number, and the sentence holds no escape sequence."""
    with pytest.raises(ReplyError) as caught:
        parse_reply(text)

    assert "\x1b" not in str(caught.value)


@given(st.text(max_size=70))
def test_any_text_is_a_number_or_a_refusal(text: str) -> None:
    """No text raises another error, and any number is finite."""
    try:
        value = parse_reply(text)
    except ReplyError:
        return

    assert value.is_finite()


def test_the_nominal_is_subtracted_exactly() -> None:
    """One ulp at 10 MHz is 1.9e-9 Hz: subtraction in floats would lose digits."""
    offset_hz, offset = difference(Decimal("10000000.000000123"), TEN_MHZ)

    assert offset_hz == 1.23e-7
    assert offset == 1.23e-14


@pytest.mark.parametrize(
    ("frequency", "nominal", "fraction"),
    [
        ("10000000.024", "1e7", 2.4e-9),
        ("10000000.5", "1e7", 50e-9),
        ("32768.6", "32768", 1.831054687496e-05),
        ("26000012", "26e6", 4.615384615385e-07),
    ],
)
def test_arithmetic_of_the_trade(frequency: str, nominal: str, fraction: float) -> None:
    """Worked offsets (common practice, no source; a slip of four decades is a known error)."""
    assert difference(Decimal(frequency), Decimal(nominal))[1] == pytest.approx(fraction, rel=1e-12)


@given(st.integers(-(10**12), 10**12), st.integers(1, 10**10))
def test_a_difference_flips_its_sign_with_its_terms(micro: int, nominal: int) -> None:
    """Above by so much is below by as much."""
    shift = Decimal(micro).scaleb(-6)

    up = difference(Decimal(nominal) + shift, Decimal(nominal))
    down = difference(Decimal(nominal) - shift, Decimal(nominal))

    assert up == (-down[0], -down[1])


@pytest.mark.parametrize(
    ("reading", "nominal"),
    [
        ("9999999.2", "10000000"),
        ("5000000.3", "5000000"),
        ("12800001", "12800000"),
        ("32768.6", "32768"),
        ("10345678", None),
        ("0", None),
        ("0.9999999", "1"),
    ],
)
def test_the_round_number_a_reading_is_near(reading: str, nominal: str | None) -> None:
    """Three digits or 2^15, within 100 ppm; any other nominal must be stated."""
    expected = None if nominal is None else Decimal(nominal)
    assert round_nominal(Decimal(reading)) == expected


@pytest.mark.parametrize(
    ("fraction", "u", "text"),
    [
        (2.28e-9, 1.1e-10, "+2.28 ± 0.11 ppb"),
        (-2.28e-9, None, "-2.280 ± ? ppb"),
        (3.3e-5, 4e-7, "+33.00 ± 0.40 ppm"),
        (1e-13, 3e-14, "+0.100 ± 0.030 parts in 10^12"),
        (1234.5e-9, 150e-9, "+1230 ± 150 ppb"),
        (2e-9, 0.0996e-9, "+2.00 ± 0.10 ppb"),
        (float("nan"), None, "unknown ± ? ppb"),
    ],
)
def test_a_value_is_rounded_as_its_uncertainty_asks(
    fraction: float, u: float | None, text: str
) -> None:
    """Two digits of u, and the value to the same decimals (JCGM 100:2008, 7.2.6)."""
    assert str(write_fraction(fraction, u)) == text


def test_hertz_have_no_prefix() -> None:
    """Neither mHz nor MHz ever stands for offset and carrier in the same place."""
    assert str(write_hz(0.0231, 0.0011)) == "+0.0231 ± 0.0011 Hz"


def test_the_unit_sticks() -> None:
    """The unit changes only past a factor of 20, so it does not flicker at a border."""
    assert offset_unit(2e-9) == PPB
    assert offset_unit(3e-5) == PPM
    assert offset_unit(1e-12) == PARTS_IN_1E12
    assert offset_unit(0.06e-9, PPB) == PPB
    assert offset_unit(0.04e-9, PPB) == PARTS_IN_1E12
    assert offset_unit(15e-6, PPB) == PPB
    assert offset_unit(25e-6, PPB) == PPM
    assert offset_unit(0.06e-6, PPM) == PPM
    assert offset_unit(float("nan"), PPM) == PPM


def test_carriers_and_durations_for_people() -> None:
    """Short, exact, in at most two units."""
    assert format_frequency(TEN_MHZ) == "10 MHz"
    assert format_frequency(32768.0) == "32.768 kHz"
    assert format_frequency(1.0) == "1 Hz"
    assert [format_duration(s) for s in (0.25, 45, 61, 725, 3700, 90000, 1e7)] == [
        "0.25 s", "45 s", "1 min 1 s", "12 min", "1 h 1 min", "1 d 1 h", "115 d",
    ]  # fmt: skip


@given(st.text())
def test_printable_text_holds_nothing_that_a_terminal_obeys(text: str) -> None:
    """No control, format, private or unassigned character survives; the length is limited."""
    shown = printable(text)

    assert shown.isprintable()
    assert len(shown) <= 83


def test_clock_gain_in_seconds_or_milliseconds() -> None:
    """1 ppm is 0.0864 s a day (common practice); ppb are written in ms, and never with a sign."""
    assert str(write_clock_gain(0.0864, 8.64e-5)) == "0.086400 ± 0.000086 s"
    assert str(write_clock_gain(-2.07e-4, 1.7e-5)) == "0.207 ± 0.017 ms"
    assert write_clock_gain(0.0, 1.7e-5).bare == "0.000 ms"


def test_small_hertz_at_a_derived_frequency() -> None:
    """2.4 ppb at 1 Hz is 2.40 nHz; from 1 µHz on there is no prefix."""
    assert str(write_derived_hz(-2.4e-9, 2e-10)) == "-2.40 ± 0.20 nHz"
    assert write_derived_hz(2.5e-6).bare == "+0.000002500 Hz"
    assert write_derived_hz(math.nan).bare == "unknown Hz"
