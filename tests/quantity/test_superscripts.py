"""Powers of ten as print shows them."""

import unicodedata

import pytest

from benchwatch.quantity.superscripts import PLAIN, RAISED_DIGITS, lowered, raised_powers


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("(+3.6970 ± 0.0037) × 10^-8", "(+3.6970 ± 0.0037) × 10⁻⁸"),
        ("27 parts in 10^12 of 10^6.", "27 parts in 10¹² of 10⁶."),
        ("a^2, 10^x, ^7 and 10^", "a^2, 10^x, ^7 and 10^"),
    ],
)
def test_only_powers_of_numbers_are_raised(text: str, shown: str) -> None:
    """A caret that follows no number, or that no number follows, stays."""
    assert raised_powers(text) == shown


def test_each_raised_digit_is_that_digit() -> None:
    """The Unicode Character Database decomposes it to its plain form, which lowering gives."""
    for plain, raised in zip(PLAIN, RAISED_DIGITS, strict=True):
        decomposed = unicodedata.normalize("NFKC", raised).replace("\N{MINUS SIGN}", "-")
        assert decomposed == plain == lowered(raised)
