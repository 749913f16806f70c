"""Reads the parameters of SCPI-1999 commands: numbers with units, words, switches.

Numbers follow IEEE 488.2 clause 7.7.2 (decimal numeric program data) and 7.7.3 (suffixes),
MINimum, MAXimum and DEFault follow SCPI-1999 volume 1 clause 7.2.1 (from memory).
"""

import re
from dataclasses import dataclass

from benchwatch_simulators.scpi.scpi_errors import ScpiError

_DECIMAL = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+))(?:\s*[eE]\s*([+-]?\d+))?\s*(.*)", re.ASCII)
_NON_DECIMAL = re.compile(r"#([HQBhqb])([0-9A-Fa-f]+)", re.ASCII)
_BASES = {"H": 16, "Q": 8, "B": 2}
_WORD = re.compile(r"[A-Za-z]\w*", re.ASCII)
_MULTIPLIERS = {
    "EX": 1e18, "PE": 1e15, "T": 1e12, "G": 1e9, "MA": 1e6, "K": 1e3, "": 1.0,
    "M": 1e-3, "U": 1e-6, "N": 1e-9, "P": 1e-12, "F": 1e-15, "A": 1e-18,
}  # fmt: skip
_MEGA_UNITS = {"HZ", "OHM"}
"""Units whose M is mega, not milli (IEEE 488.2 table 7-2)."""
_LARGEST_EXPONENT = 32000
_MOST_DIGITS = 255


@dataclass(frozen=True, slots=True, kw_only=True)
class ParameterLimits:
    """Range, default and unit of a numeric parameter."""

    least: float
    most: float
    default: float
    unit: str = ""

    def named(self, text: str) -> float | None:
        """Return the value of MINimum, MAXimum or DEFault; None for any other text."""
        for name, value in (
            ("MINimum", self.least),
            ("MAXimum", self.most),
            ("DEFault", self.default),
        ):
            if is_mnemonic(text, name):
                return value
        return None


def short_form(mnemonic: str) -> str:
    """Return the short form of ``MNEMonic``: its upper-case part."""
    return "".join(c for c in mnemonic if not c.islower())


def is_mnemonic(text: str, mnemonic: str) -> bool:
    """Return whether `text` is the long or the short form of `mnemonic`."""
    return text.upper() in (mnemonic.upper(), short_form(mnemonic))


def read_number(text: str, limits: ParameterLimits) -> float:
    """Read a number within `limits`, with or without unit, or MINimum, MAXimum or DEFault.

    Raises:
        ScpiError: -104, -120, -123, -124, -131, -138 or -168: it can't be read; -222: it is out of
            range.
    """
    named = limits.named(text)
    value = _decimal(text, limits.unit) if named is None else named
    if not limits.least <= value <= limits.most:
        raise ScpiError(-222, text)
    return value


def read_whole(text: str, most: int) -> int:
    """Read a whole number from 0 to `most`; fractions are rounded (IEEE 488.2 10.10).

    Raises:
        ScpiError: as `number`.
    """
    return round(read_number(text, ParameterLimits(least=0, most=most, default=0)))


def read_switch(text: str) -> bool:
    """Read ON, OFF or a number, which means on unless it rounds to 0 (SCPI-99 7.3).

    Raises:
        ScpiError: -224 for another word; as `number` for a number.
    """
    if text.upper() in ("ON", "OFF"):
        return text.upper() == "ON"
    if _WORD.fullmatch(text):
        raise ScpiError(-224, text)
    return round(_decimal(text, "")) != 0


def read_word(text: str, *choices: str) -> str:
    """Read one of `choices` (written ``LONGform``) and return its short form.

    Raises:
        ScpiError: -104: it is no word; -141: the word is malformed; -224: it is unknown.
    """
    if not _WORD.fullmatch(text):
        raise ScpiError(-141 if text[0].isalpha() else -104, text)
    for choice in choices:
        if is_mnemonic(text, choice):
            return short_form(choice)
    raise ScpiError(-224, text)


def _decimal(text: str, unit: str) -> float:
    """Read a decimal, hexadecimal, octal or binary number, and scale it to `unit`."""
    non_decimal = _NON_DECIMAL.fullmatch(text)
    if non_decimal:
        try:
            return float(int(non_decimal[2], _BASES[non_decimal[1].upper()]))
        except ValueError:
            raise ScpiError(-120, text) from None
    if text[0] == "#":
        raise ScpiError(-168, text)
    match = _DECIMAL.fullmatch(text)
    if match is None:
        raise ScpiError(-104 if text[0] in "'\"(" or text[0].isalpha() else -120, text)
    mantissa, exponent, suffix = match.groups()
    if exponent and abs(int(exponent)) > _LARGEST_EXPONENT:
        raise ScpiError(-123, text)
    if len(mantissa) > _MOST_DIGITS:
        raise ScpiError(-124, text)
    return float(f"{mantissa}e{exponent or 0}") * _scale(suffix.upper(), unit, text)


def _scale(suffix: str, unit: str, text: str) -> float:
    """Return the factor of a suffix such as MS in `unit` S; 1 without a suffix."""
    if not suffix:
        return 1.0
    if not unit:
        raise ScpiError(-138, text)
    multiplier = suffix.removesuffix(unit)
    if multiplier == suffix or multiplier not in _MULTIPLIERS:
        raise ScpiError(-131, text)
    if unit in _MEGA_UNITS and multiplier == "M":
        return 1e6
    return _MULTIPLIERS[multiplier]
