"""A unit as the register knows it, and which texts can name one."""

import math
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import Any, Final

from benchwatch.errors import UsageError
from benchwatch.quantity import printable
from benchwatch.register.register_entry import Draft

LONGEST_IDENT: Final = 64
"""Characters of an ident."""
_IDENT_CATEGORIES: Final = ("L", "M", "N", "P", "Sm", "Sc")
"""Unicode categories of an ident's characters, besides the blank and the degree sign: letters,
marks, digits, punctuation, mathematical and currency signs. Pictures have no certain width."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """The oscillator or instrument brought to the bench."""

    ident: str
    """Serial number, label or drawer, as typed."""
    nominal_hz: Decimal | None = None
    tolerance: float | None = None
    """Fractional."""
    settle: float | None = None
    """Largest change (fractional) within `settle_horizon_s` that counts as settled."""
    settle_horizon_s: float | None = None
    working_hz: tuple[float, ...] = ()
    """Frequencies in hertz at which it is used."""
    checks: tuple[float, ...] = ()
    """Other dial settings, in hertz, at which its output is checked."""
    description: str = ""
    place: str = ""
    owner: str = ""

    def draft(self) -> Draft:
        """Return the entry that makes or changes this unit."""
        return Draft(
            kind="unit",
            unit=self.ident,
            document={
                "nominal_hz": hertz_text(self.nominal_hz),
                "tolerance": self.tolerance,
                "settle": self.settle,
                "settle_horizon_s": self.settle_horizon_s,
                "working_hz": list(self.working_hz),
                "checks": list(self.checks),
                "description": self.description,
                "place": self.place,
                "owner": self.owner,
            },
        )

    @classmethod
    def from_values(cls, ident: str, values: Mapping[str, Any]) -> "Unit":
        """Read back what `draft` wrote; a value of a wrong type counts as not known."""
        return cls(
            ident=ident,
            nominal_hz=decimal_of(values.get("nominal_hz")),
            tolerance=_number(values.get("tolerance")),
            settle=_number(values.get("settle")),
            settle_horizon_s=_number(values.get("settle_horizon_s")),
            working_hz=_frequencies(values.get("working_hz")),
            checks=_frequencies(values.get("checks")),
            description=_text(values.get("description")),
            place=_text(values.get("place")),
            owner=_text(values.get("owner")),
        )


def read_ident(text: str) -> str:
    """Return the ident that a person typed, in its composed form and with single blanks.

    Raises:
        UsageError: the text can't name a unit.
    """
    ident = unicodedata.normalize("NFC", " ".join(text.split()))
    if not ident:
        raise UsageError("the ident of a unit is empty: type its serial number or label.")
    if len(ident) > LONGEST_IDENT:
        raise UsageError(
            f"the ident '{printable(ident, 20)}' has {len(ident)} characters: "
            f"{LONGEST_IDENT} at most. Put the rest into its description."
        )
    for character in ident:
        category = unicodedata.category(character)
        if character not in " °" and not category.startswith(_IDENT_CATEGORIES):
            raise UsageError(
                f"the ident '{printable(ident, 40)}' has a character that can't be shown safely "
                f"(U+{ord(character):04X}): letters, digits, blanks and punctuation can."
            )
    if unicodedata.category(ident[0]).startswith("M"):
        raise UsageError(
            f"the ident '{printable(ident, 40)}' begins with a mark that belongs over a letter "
            f"(U+{ord(ident[0]):04X}): begin with a letter or a digit."
        )
    return ident


def hertz_text(hertz: Decimal | None) -> str | None:
    """Write a frequency in hertz as the register stores it, without an exponent."""
    return None if hertz is None else format(hertz.normalize(), "f")


def decimal_of(value: object) -> Decimal | None:
    """Return a positive frequency in hertz that was stored as text; None if it is none."""
    if not isinstance(value, str):
        return None
    try:
        hertz = Decimal(value[:64])
    except InvalidOperation:
        return None
    return hertz if hertz.is_finite() and 0 < hertz < Decimal("1e38") else None


def _frequencies(value: object) -> tuple[float, ...]:
    known = [_number(hertz) for hertz in value] if isinstance(value, list) else []
    return tuple(hertz for hertz in known if hertz is not None)


def _number(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) and number > 0 else None


def _text(value: object) -> str:
    return printable(value, 1000) if isinstance(value, str) else ""
