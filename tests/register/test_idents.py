"""Idents of units as people type them: kept, put in one form, or refused by a sentence."""

import unicodedata
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as some

from benchwatch.errors import UsageError
from benchwatch.register.register_file import RegisterFile
from benchwatch.register.register_reader import read_register
from benchwatch.register.registered_unit import LONGEST_IDENT, Unit, read_ident


@pytest.mark.parametrize(
    ("typed", "ident"),
    [
        ("0417", "0417"),
        ("  mast 2,   upper\tdrawer\n", "mast 2, upper drawer"),
        ("TG/04-17 #2", "TG/04-17 #2"),
        ("-1", "-1"),
        ("../../etc/passwd", "../../etc/passwd"),  # it is never used as a path
        ("10 MHz ±5 ppb", "10 MHz ±5 ppb"),
        ("[bold]0417[/bold]", "[bold]0417[/bold]"),  # shown as text, never as markup
        ("'; DROP TABLE entries; --", "'; DROP TABLE entries; --"),
        ("Pegel Büsum", "Pegel Büsum"),
        ("Bu\u0308sum", "B\u00fcsum"),  # combining characters are composed where they can be
        ("潮位計 3", "潮位計 3"),
        ("م-17", "م-17"),
        ("x" * LONGEST_IDENT, "x" * LONGEST_IDENT),
    ],
)
def test_what_a_label_may_hold_is_kept(tmp_path, typed, ident):
    """The unit is found by it, and its visits too."""
    path = tmp_path / "register.db"
    read = read_ident(typed)
    RegisterFile(path).add([Unit(ident=read, place="mast 2").draft()])
    with read_register(path) as reader:
        unit = reader.unit(read_ident(typed))

    assert read == ident
    assert unit is not None
    assert (unit.ident, unit.place) == (ident, "mast 2")


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("", "is empty: type its serial number or label"),
        (" \t\n", "is empty"),
        ("\u3000\u00a0", "is empty"),
        ("x" * 10_000, "has 10000 characters: 64 at most. Put the rest into its description"),
        ("\x1b[31m0417\x1b[0m", "a character that can't be shown safely (U+001B)"),
        ("04\x0017", "U+0000"),
        ("0417 🛰", "U+1F6F0"),
        ("04\u202e17", "U+202E"),  # right-to-left override
        ("04\u200b17", "U+200B"),  # of no width
        ("04\ufeff17", "U+FEFF"),
        ("04\ud80017", "U+D800"),  # half of a pair, from an argument that is no UTF-8
        ("04\ue00017", "U+E000"),
        ("\u030817", "begins with a mark that belongs over a letter (U+0308)"),
    ],
)
def test_what_can_not_be_shown_safely_is_refused(typed, words):
    """The sentence names the character and has none of it, and is short."""
    with pytest.raises(UsageError) as caught:
        read_ident(typed)

    assert words in str(caught.value)
    assert len(str(caught.value)) < 200
    assert str(caught.value).isprintable()


@given(some.text(max_size=80))
def test_any_text_is_an_ident_in_one_form_or_a_sentence(text):
    """An accepted ident is read again as itself, and holds no control or format character."""
    try:
        ident = read_ident(text)
    except UsageError:
        return

    assert read_ident(ident) == ident
    assert unicodedata.is_normalized("NFC", ident)
    assert not any(unicodedata.category(one).startswith("C") for one in ident)
    assert 1 <= len(ident) <= LONGEST_IDENT


def test_idents_that_differ_in_case_only_are_two_units_of_which_one_is_offered(tmp_path: Path):
    """Typed in another case a unit is not found, but named as the one that may be meant."""
    path = tmp_path / "register.db"
    RegisterFile(path).add([Unit(ident="tg-4Straße").draft()])
    with read_register(path) as reader:
        found = reader.unit("TG-4STRASSE"), reader.like("TG-4STRASSE"), reader.like("TG-5")

    assert found == (None, "tg-4Straße", None)
