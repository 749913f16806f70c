"""A typed line as a reading: every way to write a number, and a sentence for what is none."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwatch.acquire.typed_line import LONGEST_LINE, read_typed_line
from benchwatch.errors import QuantityError
from benchwatch.quantity import round_nominal

TEN_MHZ = Decimal(10_000_000)
BLANKS = " \t\N{NO-BREAK SPACE}\N{THIN SPACE}\N{NARROW NO-BREAK SPACE}\N{IDEOGRAPHIC SPACE}"
APOSTROPHES = "'\N{RIGHT SINGLE QUOTATION MARK}\N{PRIME}\N{FULLWIDTH APOSTROPHE}"


def outcome(line: str, nominal: Decimal | None) -> Decimal | str:
    """Return the value of a line, or the sentence that says what is wrong with it."""
    try:
        return read_typed_line(line, nominal).value_hz
    except QuantityError as error:
        return str(error)


def is_near(value: Decimal, nominal: Decimal | None) -> bool:
    """Return whether a value is plausible for a nominal, or for the round number it is near."""
    expected = round_nominal(value) if nominal is None else nominal
    return expected is not None and abs(value - expected) <= expected / 1000


def grouped(digits: str, by: str) -> str:
    """Group digits by threes from their end."""
    first = len(digits) % 3 or 3
    return by.join([digits[:first], *(digits[at : at + 3] for at in range(first, len(digits), 3))])


@pytest.mark.parametrize(
    ("line", "value", "resolution_hz"),
    [
        ("10 000 000.09", "10000000.09", 0.01),
        ("10000000,090\n", "10000000.090", 0.001),
        ("10000000.09 Hz\r\n", "10000000.09", 0.01),
        ("9.99999912 MHz", "9999999.12", 0.01),
        ("9999,99912kHz", "9999999.12", 0.01),
        ("10'000'000.09", "10000000.09", 0.01),
        ("10.000.000,09", "10000000.09", 0.01),
        ("10,000,000.09", "10000000.09", 0.01),
        ("10,000,001", "10000001", 1.0),
        ("9 999 999.912 345", "9999999.912345", 1e-6),
        ("  +10000000.1", "10000000.1", 0.1),
        ("+ 10000000.", "10000000", 1.0),
        ("1.00000001e7", "10000000.1", 0.1),
        ("\N{FULLWIDTH DIGIT ONE}0000000\N{FULLWIDTH FULL STOP}5", "10000000.5", 0.1),
        ("\N{ZERO WIDTH NO-BREAK SPACE}10000000.5", "10000000.5", 0.1),
    ],
)
def test_what_a_person_types_is_taken_exactly(line: str, value: str, resolution_hz: float) -> None:
    """The value keeps every digit that was typed, and the last one is the resolution."""
    read = read_typed_line(line, TEN_MHZ)

    assert f"{read.value_hz:f}" == value
    assert read.resolution_hz == pytest.approx(resolution_hz)


@given(
    millihertz=st.integers(-9_999_999, 9_999_999),
    by=st.sampled_from([*BLANKS, *APOSTROPHES, ".", ",", ""]),
    mark=st.sampled_from(".,"),
    tail=st.sampled_from(["", "Hz", " Hz", "\N{NO-BREAK SPACE}hz", "\n", "\r"]),
)
def test_every_way_to_write_it_is_one_number(
    millihertz: int, by: str, mark: str, tail: str
) -> None:
    """Whatever groups the digits and marks the decimals, the exact number is read."""
    exact = TEN_MHZ + Decimal(millihertz).scaleb(-3)
    whole, _, fraction = f"{exact:.3f}".partition(".")
    by = "'" if by == mark else by

    read = read_typed_line(f"{grouped(whole, by)}{mark}{fraction}{tail}", TEN_MHZ)

    assert read.value_hz == exact
    assert read.resolution_hz == pytest.approx(1e-3)


@given(line=st.text(max_size=80), nominal=st.sampled_from([TEN_MHZ, Decimal(32768), None]))
def test_any_line_is_a_reading_or_a_sentence(line: str, nominal: Decimal | None) -> None:
    """Nothing but a reading near the nominal, or one printable sentence, comes of any text."""
    read = outcome(line, nominal)

    if isinstance(read, str):
        assert read.isprintable()
        assert len(read) < 300
    else:
        assert is_near(read, nominal)


@given(line=st.text("0123456789.,'+- eEkMHz", max_size=24))
def test_digits_in_any_order_are_a_reading_or_a_sentence(line: str) -> None:
    """Marks in the wrong places give a sentence, and no other error."""
    read = outcome(line, TEN_MHZ)

    assert read.endswith(".") if isinstance(read, str) else is_near(read, TEN_MHZ)


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("", "nothing was typed"),
        (" \t\n", "nothing was typed"),
        ("hello", "is no number"),
        ("10000000.09 10000000.10", "several numbers"),
        ("1 000 0000.09", "grouped by threes, with one decimal mark"),
        ("10..0", "grouped by threes, with one decimal mark"),
        ("10000o00.09", "only digits, their marks and a unit"),
        ("10000000.09 V", "no unit of a frequency"),
        ("10 mhz", "mega or milli"),
        ("-10000000.09", "below zero"),
        ("1000000.09", "1.00000009 MHz, nowhere near the nominal of 10 MHz: is a digit missing"),
        ("100000000.09", "or one too many"),
        ("1" * 10_000, f"a line of more than {LONGEST_LINE} characters"),
        ("1e999", "nowhere near"),
        ("\x1b[31m10000000.09", "'?[31m10000000.09' holds what no reading has"),
        ("10000000\x00.09", "holds what no reading has"),
        ("\N{GRINNING FACE}", "is no number"),
        ("\N{SUPERSCRIPT TWO}", "is no number"),
    ],
)
def test_a_wrong_line_is_named_in_a_sentence(line: str, says: str) -> None:
    """The sentence says what is wrong with it."""
    with pytest.raises(QuantityError) as refused:
        read_typed_line(line, TEN_MHZ)

    assert says in str(refused.value)


def test_the_nominal_decides_what_a_comma_means() -> None:
    """A comma before three digits groups them, or marks the decimals, as the nominal has it."""
    kilohertz = read_typed_line("10,000", Decimal(10_000))
    hertz = read_typed_line("10,000", Decimal(10))

    assert kilohertz.value_hz == Decimal(10_000)
    assert kilohertz.resolution_hz == 1.0
    assert hertz.value_hz == Decimal("10.000")
    assert hertz.resolution_hz == pytest.approx(1e-3)


def test_two_possible_numbers_are_both_shown() -> None:
    """Without a nominal both are round: the person is asked, and sees both."""
    with pytest.raises(QuantityError, match=r"may be 10 Hz or 10 kHz\. Type it again in hertz"):
        read_typed_line("10,000", None)


def test_without_a_nominal_a_round_number_must_be_near() -> None:
    """The first line sets the nominal, so it must be near a round number."""
    read = read_typed_line("5000000,10", None)

    assert read.value_hz == Decimal("5000000.10")
    with pytest.raises(QuantityError, match="near no round number"):
        read_typed_line("12345678.9", None)
