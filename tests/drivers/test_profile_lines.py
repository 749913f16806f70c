"""Whole and damaged lines for every parser of replies: the right value or a refusal.

The parsers are that of SCPI, used when no driver is named, and those of all bundled profiles. The
default run makes 10 000 lines for each; BENCHWATCH_LINES=200000 makes more, as
`tests/benchmarks/test_many_lines.py` does.
"""

import os
from fractions import Fraction

import pytest
from made_lines import scpi
from parser_kit import PARSERS, PROFILES, WRITERS, Parser, value_in_line, wrong_lines

from benchwatch.errors import ReplyError
from benchwatch_drivers.profile.profile_line import LineReader
from benchwatch_drivers.scpi.scpi_number import NUMBER

LINES = int(os.environ.get("BENCHWATCH_LINES", "10000"))


def test_every_bundled_profile_has_a_writer_here() -> None:
    """So that every profile is tested."""
    assert set(WRITERS) == set(PROFILES)


@pytest.mark.parametrize("name", sorted(PARSERS))
def test_a_made_line_gives_the_right_value_or_a_refusal(name: str) -> None:
    """Cut, doubled, swapped, joined, with control bytes, with strange letters."""
    seed = int.from_bytes(os.urandom(4))

    wrong = wrong_lines(PARSERS[name], LINES, seed)

    assert wrong[:5] == [], f"seed {seed}"


def test_the_made_lines_find_a_lax_parser() -> None:
    """A parser that reads the number at the beginning of a line fails this test's check."""

    def careless(text: str) -> Fraction | None:
        found = NUMBER.match(text.strip())
        return Fraction(found[0]) if found else None

    wrong = wrong_lines(Parser(careless, scpi, by_terminator=True), 1000, 1)

    assert {line.split(":")[0] for line in wrong} >= {"doubled", "control", "foreign"}


@pytest.mark.parametrize(
    "name", sorted(set(PROFILES) - {"lines", "interval", "interval-talk-only"})
)
def test_no_piece_of_a_line_is_a_reading(name: str) -> None:
    """Every proper beginning and end of the examples: refused, the same, or far off."""
    reader = LineReader(PROFILES[name])
    passed = []
    for example in PROFILES[name].examples:
        if example.value is None:
            continue
        pieces = [example.line[:cut] for cut in range(len(example.line))]
        pieces += [example.line[cut:] for cut in range(1, len(example.line))]
        for piece in pieces:
            value = value_in_line(reader, piece)
            off = None if value is None else abs(value - Fraction(example.value))
            if off is not None and 0 < off <= Fraction(example.value) / 1000:
                passed.append(piece)

    assert passed == []


def test_pieces_of_bare_digits_are_recognised_by_the_terminator_only() -> None:
    """A bare number of `lines` that is cut is a number too, and near the whole one.

    The profile states that (cuts = "terminator"); the wire returns whole lines only.
    """
    reader = LineReader(PROFILES["lines"])

    assert PROFILES["lines"].line.by_terminator
    assert value_in_line(reader, "10000000.02") == Fraction("10000000.02")


@pytest.mark.parametrize("name", sorted(PROFILES))
@pytest.mark.parametrize(
    "text",
    [
        "",
        "\x1b[31m+1.00000002E+07",
        "\x07",
        "9" * 100_000,
        "+1.00000002E+07" + " " * 300 + "x",
        "١٠٠٠٠٠٠٠.٠",
        "[bold]10 MHz[/bold]",
        "<b>1e7</b>",
        '0,"No error"',
        "nan",
        "-1.00000002E+07",
    ],
)
def test_a_line_that_no_counter_sends_is_no_reading(name: str, text: str) -> None:
    """Escapes, markup, endless digits, digits of other scripts, answers to something else."""
    assert value_in_line(LineReader(PROFILES[name]), text) is None


@pytest.mark.parametrize("name", sorted(PROFILES))
def test_a_refusal_quotes_the_line_harmlessly(name: str) -> None:
    """The sentence holds no escape sequence of the line."""
    with pytest.raises(ReplyError) as caught:
        LineReader(PROFILES[name]).read("\x1b]0;title\x07\u202e1e7\x9b31m")

    assert str(caught.value).isprintable()


@pytest.mark.parametrize("name", ["talk-only", "talk-only-display", "terse", "lines"])
def test_dashes_are_overrange_and_no_number(name: str) -> None:
    """Common practice, no source: an overflow is shown as dashes."""
    overflow = next((e.line for e in PROFILES[name].examples if "--" in e.line), "------")

    line = LineReader(PROFILES[name]).read(overflow)

    assert line is not None
    assert line.value is None


def test_the_special_numbers_of_scpi_are_no_readings() -> None:
    """SCPI-1999 volume 1, 7.2.1.5 (from memory): 9.91E37 is not a number, 9.9E37 infinity."""
    reader = LineReader(PROFILES["scpi-gate-time"])

    infinity = reader.read("+9.90000000E+37")
    with pytest.raises(ReplyError, match="no valid result"):
        reader.read("+9.91000000E+37")

    assert infinity is not None
    assert infinity.value is None
