"""The keys of a bench file, declared once: what each holds, how it is read, what it is for.

The reader of the file, its messages and the comments in a draft all come from here.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any, Final

from benchwatch.errors import QuantityError, UsageError
from benchwatch.quantity import (
    parse_duration,
    parse_fraction,
    parse_frequency,
    parse_settle,
    printable,
)

LONGEST_TEXT: Final = 200
NO_AGEING: Final = "none"
BACKENDS: Final = ("@py", "@ivi", "@sim")
"""The VISA libraries that a file may name. PyVISA loads whatever library or module any other name
says, so that a path, or the name of another module, counts only where a person typed it."""
EARLIEST_YEAR: Final = 1950
"""No calibration that still counts is older than that."""


@dataclass(frozen=True, slots=True)
class Key:
    """One key."""

    read: Callable[[Any], object]
    """Value in the file -> what the program works with; raises `UsageError`."""
    form: str
    """The key's value as it may stand in the file."""
    says: str
    """What it is for, one line."""


def _text(value: Any) -> object:
    if not isinstance(value, str) or not value.strip():
        raise UsageError("expected text in quotes.")
    if len(value) > LONGEST_TEXT or not value.isprintable():
        raise UsageError(f"expected one line of at most {LONGEST_TEXT} plain characters.")
    return value.strip()


def _backend(value: Any) -> object:
    if value not in BACKENDS:
        raise UsageError(
            f"expected one of {', '.join(BACKENDS)}. A library in a file is loaded only where it "
            "is typed: leave the key out, and add --backend to the command."
        )
    return value


def _quantity(parse: Callable[[str], object]) -> Callable[[Any], object]:
    def read(value: Any) -> object:
        if not isinstance(value, str):
            raise UsageError("expected a quantity in quotes, with its unit.")
        return parse(value)

    return read


def _above_zero(value: Any) -> object:
    fraction = _quantity(parse_fraction)(value)
    assert isinstance(fraction, float)
    if fraction < 0:
        raise UsageError("an uncertainty can't be negative.")
    return fraction


def _channel(value: Any) -> object:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 < value < 100:
        raise UsageError("expected the number of an input, without quotes.")
    return value


def _coverage_factor(value: Any) -> object:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < 100:
        raise UsageError("expected a number above zero, without quotes.")
    return float(value)


def _moment(value: Any) -> object:
    """Read a date, or date and time (UTC unless it says otherwise), as Unix seconds."""
    if isinstance(value, str):
        try:
            value = datetime.fromisoformat(value.strip())
        except ValueError as error:
            raise UsageError(f"'{printable(value)}' is no date.") from error
    if isinstance(value, date) and not isinstance(value, datetime):
        value = datetime(value.year, value.month, value.day, tzinfo=UTC)
    if not isinstance(value, datetime):
        raise UsageError("expected a date, without quotes.")
    if value.year < EARLIEST_YEAR:
        raise UsageError(f"no calibration of the year {value.year} still counts.")
    return (value if value.tzinfo else value.replace(tzinfo=UTC)).timestamp()


def _ageing(value: Any) -> object:
    """Read the largest ageing, a fraction over a time, as a rate a second."""
    if isinstance(value, str) and value.strip().lower() == NO_AGEING:
        return 0.0
    read = _quantity(parse_settle)(value)
    assert isinstance(read, tuple)
    fraction, over_s = read
    return float(fraction) / float(over_s)


def _frequencies(value: Any) -> object:
    if not isinstance(value, list) or not value:
        raise UsageError("expected a list of frequencies.")
    return tuple(float(parse_frequency(item)) for item in map(_plain_text, value))


def _plain_text(value: Any) -> str:
    if not isinstance(value, str):
        raise UsageError("expected every frequency in quotes, with its unit.")
    return value


def _as_written(value: Any) -> object:
    """Keep the text: read later, when the nominal is known that hertz are divided by."""
    if not isinstance(value, str):
        raise UsageError("expected a quantity in quotes, with its unit.")
    return value


TOLERANCE: Final = Key(_as_written, '"5 ppb"', "how far from the nominal is still right")
SETTLE: Final = Key(
    _as_written, '"1 ppb/10 min"', "settled: it moves by no more than this in that time"
)
WORKING: Final = Key(
    _frequencies, '["10 MHz", "1420.4 MHz"]', "frequencies at which the oscillator is used"
)

TOP: Final[dict[str, Key]] = {
    "about": Key(_text, '"the oven oscillators of the station"', "what this bench is, one line"),
    "backend": Key(_backend, '"@ivi"', "the VISA library; left out: the one that comes along"),
    "tolerance": TOLERANCE,
    "settle": SETTLE,
    "working": WORKING,
}
REFERENCE: Final[dict[str, Key]] = {
    "name": Key(_text, '"house reference"', "what the budget calls it"),
    "uncertainty": Key(_above_zero, '"2e-12"', "standard (k = 1) on the day of its calibration"),
    "coverage_factor": Key(
        _coverage_factor, "2", "k of the uncertainty, when it is the certificate's expanded one"
    ),
    "offset": Key(_quantity(parse_fraction), '"3e-13"', "how far it is known to be off"),
    "calibrated": Key(_moment, "2031-05-04", "date of its calibration"),
    "ageing": Key(
        _ageing, '"1e-10/1 day"', 'most it ages either way since; "none" for a disciplined one'
    ),
}
OWN_TABLE: Final = "time_base"
"""Table in a counter's own, with the keys of `REFERENCE`: the counter's own oscillator."""
COUNTER: Final[dict[str, Key]] = {
    "resource": Key(_text, '"TCPIP0::192.168.1.20::5025::SOCKET"', "where the counter is"),
    "driver": Key(_text, '"scpi"', "its dialect; benchwatch drivers lists them"),
    "nominal": Key(
        _quantity(parse_frequency), '"10 MHz"', "what the frequency should be; "
        "left out: the round number it is near",
    ),
    "tolerance": TOLERANCE,
    "settle": SETTLE,
    "gate": Key(
        _quantity(parse_duration), '"1 s"', "SETS the counter's gate; left out: nothing is set"
    ),
    "channel": Key(_channel, "1", "SETS the counter's input; left out: nothing is set"),
    "interval": Key(
        _quantity(parse_duration), '"10 s"', "from reading to reading; left out: as they come"
    ),
    "working": WORKING,
}  # fmt: skip


def reading_failed(error: UsageError, where: str, name: str, key: Key) -> UsageError:
    """Say which key of which file can't be used, and what it should look like."""
    kind = QuantityError if isinstance(error, QuantityError) else UsageError
    return kind(f"{where}: {error} Write it like {name} = {key.form}.")
