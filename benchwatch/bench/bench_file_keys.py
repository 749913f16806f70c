"""The declaration of a bench file: its tables and keys.

The reader of the file, its messages, the comments in a draft and the JSON schema all come from it.
"""

from datetime import UTC, date, datetime
from typing import Any, Final

from benchwatch.bus.plain_address import resource_meant
from benchwatch.config_tables import (
    DURATION,
    FRACTION,
    FREQUENCY,
    ConfigKey,
    ConfigTable,
    ValueKind,
    WrongValue,
    list_of,
    number,
    quantity,
    text,
    whole_number,
)
from benchwatch.errors import UsageError
from benchwatch.quantity import parse_ageing
from benchwatch.register.registered_unit import LONGEST_IDENT, read_ident
from benchwatch.relay.broker_address import BrokerAddress, parse_broker
from benchwatch.relay.station_name import PATTERN as STATION_PATTERN
from benchwatch.relay.station_name import check_station_name

BACKENDS: Final = ("@py", "@ivi", "@sim")
"""The VISA libraries that a file may name. Any other name is a path or a module that PyVISA would
load and run, so it is accepted only on the command line."""
EARLIEST_YEAR: Final = 1950
"""An older calibration does not count any more."""


def _backend(value: Any) -> str:
    if value not in BACKENDS:
        raise WrongValue(
            f"expected one of {', '.join(BACKENDS)}",
            "A library in a file is loaded only where it is typed: leave the key out, and add "
            "--backend to the command.",
        )
    return str(value)


def _uncertainty(value: Any) -> float:
    fraction = float(FRACTION.read(value))
    if fraction < 0:
        raise WrongValue("an uncertainty can't be negative")
    return fraction


def _date(value: Any) -> float:
    """Read a date, or date and time (in UTC if it has no zone), as Unix seconds."""
    moment = value
    if isinstance(value, str):
        try:
            moment = datetime.fromisoformat(value.strip())
        except ValueError as error:
            raise WrongValue("expected a date, and this is no date") from error
    if isinstance(moment, date) and not isinstance(moment, datetime):
        moment = datetime(moment.year, moment.month, moment.day, tzinfo=UTC)
    if not isinstance(moment, datetime):
        raise WrongValue("expected a date, without quotes")
    if moment.year < EARLIEST_YEAR:
        raise WrongValue(f"no calibration of the year {moment.year} still counts")
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()


def _ident(value: Any) -> str:
    if not isinstance(value, str):
        raise WrongValue("expected the ident in quotes")
    try:
        return read_ident(value)
    except UsageError as error:
        raise WrongValue(str(error).rstrip(".")) from error


def _broker(value: Any) -> BrokerAddress:
    if not isinstance(value, str):
        raise WrongValue("expected the address in quotes")
    try:
        return parse_broker(value)
    except UsageError as error:
        raise WrongValue(str(error).rstrip(".")) from error


def _station(value: Any) -> str:
    if not isinstance(value, str):
        raise WrongValue("expected the name in quotes")
    try:
        return check_station_name(value)
    except UsageError as error:
        raise WrongValue(str(error).rstrip(".")) from error


_TEXT: Final = text().then(str.strip)
_LIMIT: Final = quantity("a quantity", str)
"""Text, as long as the nominal is not known: a limit in hertz is divided by it."""
_COVERAGE_FACTOR: Final = number("a number above zero", lambda value: 0 < value < 100)

_TOLERANCE: Final = ConfigKey(
    kind=_LIMIT, example='"5 ppb"', explanation="how far from the nominal is still right"
)
_SETTLE: Final = ConfigKey(
    kind=_LIMIT,
    example='"1 ppb/10 min"',
    explanation="settled: it moves by no more than this in that time",
)
_PROOF: Final = ConfigKey(
    kind=list_of(list_of(_TEXT, "names of counters"), "groups of names"),
    example='[["ten", "spare"]]',
    explanation="counters on one signal: they are compared while they are watched",
    default=(),
)
_WORKING: Final = ConfigKey(
    kind=list_of(FREQUENCY.then(float), "frequencies"),
    example='["10 MHz", "1420.4 MHz"]',
    explanation="frequencies at which the oscillator is used",
    default=(),
    field="working_hz",
)
_CHECKS: Final = ConfigKey(
    kind=list_of(FREQUENCY.then(float), "frequencies"),
    example='["100 MHz", "1 MHz"]',
    explanation="other dial settings at which the unit's output is checked",
    default=(),
)

REFERENCE_KEYS: Final = {
    "name": ConfigKey(
        kind=_TEXT, example='"house reference"', explanation="what the budget calls it"
    ),
    "uncertainty": ConfigKey(
        kind=ValueKind(_uncertainty, FRACTION.schema),
        example='"2e-12"',
        explanation="standard (k = 1) on the day of its calibration",
    ),
    "coverage_factor": ConfigKey(
        kind=_COVERAGE_FACTOR,
        example="2",
        explanation="k of the uncertainty, when it is the certificate's expanded one",
    ),
    "offset": ConfigKey(
        kind=FRACTION, example='"3e-13"', explanation="how far it is known to be off", default=0.0
    ),
    "calibrated": ConfigKey(
        kind=ValueKind(_date, {"type": "string", "minLength": 1}),
        example="2031-05-04",
        explanation="date of its calibration",
    ),
    "ageing": ConfigKey(
        kind=quantity("a fraction over a time", parse_ageing),
        example='"1e-10/1 day"',
        explanation='most it ages either way since; "none" for a disciplined one',
    ),
}
REFERENCE: Final = ConfigTable(
    entries=REFERENCE_KEYS,
    explanation="what the counters are locked to, at their external input",
)
RELAY: Final = ConfigTable(
    explanation="benches elsewhere: where the journal is sent",
    entries={
        "broker": ConfigKey(
            kind=ValueKind(_broker, {"type": "string", "pattern": "^mqtts?://"}),
            example='"mqtts://broker.example"',
            explanation="the broker that carries it to the central record",
            required=True,
        ),
        "identity": ConfigKey(
            kind=_TEXT,
            example='"tide-007"',
            explanation="folder with this station's certificate, seen from this file's folder",
        ),
        "station": ConfigKey(
            kind=ValueKind(_station, {"type": "string", "pattern": STATION_PATTERN}),
            example='"tide-007"',
            explanation="name of this station; left out: that of the certificate",
        ),
    },
)
OWN_TABLE: Final = "time_base"
COUNTER: Final = ConfigTable(
    explanation="a counter",
    repeated="named",
    entries={
        "resource": ConfigKey(
            kind=_TEXT.then(resource_meant),
            example='"TCPIP0::192.168.1.20::5025::SOCKET"',
            explanation="where the counter is",
            required=True,
        ),
        "driver": ConfigKey(
            kind=_TEXT,
            example='"scpi"',
            explanation="its dialect; benchwatch drivers lists them",
        ),
        "nominal": ConfigKey(
            kind=FREQUENCY,
            example='"10 MHz"',
            explanation="what the frequency should be; left out: the round number it is near",
        ),
        "unit": ConfigKey(
            kind=ValueKind(_ident, {"type": "string", "minLength": 1, "maxLength": LONGEST_IDENT}),
            example='"0417"',
            explanation="the unit that stands there; limits left out here are taken from it",
        ),
        "tolerance": _TOLERANCE,
        "settle": _SETTLE,
        "gate": ConfigKey(
            kind=DURATION,
            example='"1 s"',
            explanation="SETS the counter's gate; left out: nothing is set",
        ),
        "channel": ConfigKey(
            kind=whole_number(1, 99),
            example="1",
            explanation="SETS the counter's input; left out: nothing is set",
        ),
        "interval": ConfigKey(
            kind=DURATION,
            example='"10 s"',
            explanation="from reading to reading; left out: as they come",
        ),
        "working": _WORKING,
        "checks": _CHECKS,
        OWN_TABLE: ConfigTable(
            entries=REFERENCE_KEYS, explanation="its own oscillator: keys as in [reference]"
        ),
    },
)
BENCH_FILE: Final = ConfigTable(
    explanation="which counters stand on a bench, and by which reference they count",
    entries={
        "about": ConfigKey(
            kind=_TEXT,
            example='"the oven oscillators of the station"',
            explanation="what this bench is, one line",
            default="",
        ),
        "backend": ConfigKey(
            kind=ValueKind(_backend, {"enum": list(BACKENDS)}),
            example='"@ivi"',
            explanation="the VISA library; left out: the one that comes along",
        ),
        "tolerance": _TOLERANCE,
        "settle": _SETTLE,
        "working": _WORKING,
        "proof": _PROOF,
        "reference": REFERENCE,
        "relay": RELAY,
        "counters": COUNTER,
    },
)
