"""Guesses by a column's heading what its numbers are and their unit: ``Freq (MHz)``, ``ppb``.

The words are those of the trade and of spreadsheets (common practice, no source). A heading may
name its unit in brackets, after a stroke (``f/Hz``: ISO 80000-1, 7.1.4), a comma or an underscore.
"""

import re
from dataclasses import dataclass
from decimal import Decimal
from typing import Final, Literal

from benchwatch.quantity.units import DURATION_SIZES, OFFSET_SIZES, PREFIX_EXPONENTS
from benchwatch.recording.recorded_run import ColumnKind

MJD_OF_UNIX_EPOCH: Final = 40_587
"""Modified Julian Date of 1970-01-01 (JD 2440587.5 less 2400000.5)."""
SECONDS_A_DAY: Final = 86_400

_Role = Literal["time", "frequency_hz", "offset", "period_s", "phase_s"]
_WORDS: Final[dict[str, _Role]] = {
    "time": "time", "t": "time", "elapsed": "time", "elapsed time": "time", "seconds": "time",
    "time elapsed": "time", "timestamp": "time", "time stamp": "time", "date": "time",
    "datetime": "time", "date time": "time", "date and time": "time", "utc": "time",
    "utc time": "time", "time utc": "time", "mjd": "time",
    "frequency": "frequency_hz", "freq": "frequency_hz", "f": "frequency_hz",
    "measured frequency": "frequency_hz",
    "offset": "offset", "fractional frequency": "offset", "fractional offset": "offset",
    "fractional frequency offset": "offset", "frequency offset": "offset",
    "relative frequency": "offset", "relative offset": "offset", "df/f": "offset",
    "period": "period_s",
    "phase": "phase_s", "time error": "phase_s", "time interval error": "phase_s",
    "tie": "phase_s", "phase time": "phase_s",
}  # fmt: skip
_UNIT_NEEDED: Final = frozenset({"frequency offset", "phase"})
"""Words of columns that are often in hertz, or in degrees: without a unit nothing is guessed."""
_OTHER_QUANTITIES: Final = re.compile(
    r"offset|dev|error|err|delta|diff|width|resol|noise|std|sigma|limit|toler|nominal|drift"
)
"""Parts of words of other quantities in hertz or parts per million than a reading."""
_SECOND_WORDS: Final = {"seconds": "s", "second": "s", "secs": "s", "hr": "h", "hrs": "h"} | {
    "minutes": "min", "milliseconds": "ms", "microseconds": "us", "nanoseconds": "ns",
}  # fmt: skip
_FINER_SECONDS: Final = {"ps": Decimal("1e-12"), "fs": Decimal("1e-15")}
_OFFSET_POWER: Final = re.compile(r"(?:[x×*·]\s*)?(?:1e|10\^|10e)[-−](\d{1,2})", re.ASCII)
_BRACKETS: Final = re.compile(r"(.*?)\s*[(\[{]\s*([^()\[\]{}]*?)\s*[)\]}]")
_STROKE: Final = re.compile(r"(.*?)\s*[/,]\s*([^/,]+)")
_LAST_WORD: Final = re.compile(r"(.+?)[\s_]+([^\s_]+)")


@dataclass(frozen=True, slots=True)
class Unit:
    """The unit of a column, in the unit of its kind: seconds, hertz, or 1."""

    name: str
    """As the heading writes it; empty where it names none."""
    times: int = 1
    """A number is multiplied by this whole number,"""
    power: int = 0
    """and by ten to this power."""
    parts: int = 1
    """And, an offset, divided by this."""


@dataclass(frozen=True, slots=True)
class Heading:
    """What a heading says of its column."""

    role: _Role
    unit: Unit
    mjd: bool = False
    """Whether the times are Modified Julian Dates."""

    @property
    def kind(self) -> ColumnKind | None:
        """The kind of the numbers; None: they are times."""
        return None if self.role == "time" else self.role


def read_heading(text: str) -> Heading | None:
    """Return what a heading says; None if it is not known, or its unit is not one of its kind."""
    text = text.strip().strip('"').strip()
    for pattern in (_BRACKETS, _STROKE, _LAST_WORD):
        found = pattern.fullmatch(text)
        if found is None:
            continue
        role = _role_of(found[1])
        if role is not None:
            unit = unit_of(role, found[2])
            if unit is not None:
                return Heading(role, unit)
        elif pattern is _BRACKETS and not _OTHER_QUANTITIES.search(_words(found[1])):
            alone = _unit_alone(found[2])  # as in "channel A (Hz)"
            if alone is not None and alone.kind is not None:
                return alone
    role = _role_of(text)
    if role is not None and "mjd" in _words(text):
        return Heading(role, Unit("days", times=SECONDS_A_DAY), mjd=True)
    if role is not None:
        return None if _words(text) in _UNIT_NEEDED else Heading(role, Unit(""))
    return _unit_alone(text)


def unit_of(role: _Role, text: str) -> Unit | None:
    """Return the unit named `text` of a kind of column; None: it is none of that kind."""
    if role == "frequency_hz":
        return _hertz(text)
    if role == "offset":
        return _fraction(text)
    return _seconds(text)


def _role_of(text: str) -> _Role | None:
    return _WORDS.get(_words(text))


def _words(text: str) -> str:
    """Return a heading in lower case, with single blanks between its words."""
    return re.sub(r"[\s_.:-]+", " ", text.lower()).strip()


def _unit_alone(text: str) -> Heading | None:
    """Return the column that a lone unit stands for; None: it may be of several kinds."""
    if (hertz := _hertz(text)) is not None:
        return Heading("frequency_hz", hertz)
    if text and (fraction := _fraction(text)) is not None:
        return Heading("offset", fraction)
    if text.lower() in {"s", "sec", *_SECOND_WORDS} and (unit := _seconds(text)) is not None:
        return Heading("time", unit)
    return None


def _hertz(text: str) -> Unit | None:
    if text.lower() in {"mhz", "ghz", "khz"} and text[1:] != "Hz":
        text = text[0].upper() + "Hz"  # in small letters only: no carrier is in millihertz
    if not text.lower().endswith("hz"):
        return None
    power = PREFIX_EXPONENTS.get(text[:-2])
    return None if power is None else Unit(text, power=power)


def _fraction(text: str) -> Unit | None:
    lowered = text.lower().strip()
    power = _OFFSET_POWER.fullmatch(lowered)
    if power is not None:
        return Unit(text, parts=10 ** int(power[1]))
    size = OFFSET_SIZES.get(lowered)
    return Unit(text, parts=round(1 / size)) if size is not None and size < 1 else None


def _seconds(text: str) -> Unit | None:
    name = _SECOND_WORDS.get(text.lower(), text)
    size = _FINER_SECONDS.get(name) or (DURATION_SIZES.get(name) if name else None)
    if size is None:
        return None
    if size >= 1:
        return Unit(text, times=int(size))
    return Unit(text, power=size.adjusted())
