"""Declares the file of a simulated bench: tables, keys, and the field that each key fills."""

from dataclasses import replace
from typing import Any, Final

from benchwatch.config_tables import (
    DURATION,
    FRACTION,
    FREQUENCY,
    SWITCH,
    ConfigKey,
    ConfigTable,
    ValueKind,
    WrongValue,
    as_written,
    list_of,
    number,
    one_of,
    quantity,
    text,
    whole_number,
)
from benchwatch.quantity import parse_fraction, parse_frequency, parse_settle
from benchwatch_simulators.bench.counter_wiring import BUSES, DIALECTS
from benchwatch_simulators.counters.counter_settings import GATE_PATTERNS
from benchwatch_simulators.counters.talk_only import STYLES
from benchwatch_simulators.oscillator.dial import DialMiss

NAME: Final = r"[A-Za-z0-9_][\w-]{0,31}"
"""Pattern of names of oscillators and counters; a counter's serial line is a file of that name."""


def _gate(value: Any) -> float:
    """Read a gate in seconds; ``none`` is 0."""
    return 0.0 if value == "none" else float(DURATION.read(value))


def _warm_up(value: Any) -> tuple[tuple[float, float], ...]:
    """Read pairs of a fractional offset and a time constant in seconds."""
    if not isinstance(value, list):
        raise WrongValue("expected pairs of an offset and its time constant")
    pairs = []
    for pair in value:
        if not (isinstance(pair, list) and len(pair) == 2):
            raise WrongValue('each part is a pair such as ["4 ppm", "5 s"]')
        pairs.append((FRACTION.read(pair[0]), DURATION.read(pair[1])))
    return tuple(pairs)


def _miss(value: Any) -> DialMiss:
    """Read a fraction of the output, or hertz; both may be negative."""
    if not isinstance(value, str) or not value.strip():
        raise WrongValue("expected a fraction or hertz in quotes, with its unit")
    if not value.lower().endswith("hz"):
        return DialMiss(fraction=parse_fraction(value))
    down = value.strip().startswith("-")
    hertz = float(parse_frequency(value.strip().removeprefix("-")))
    return DialMiss(hertz=-hertz if down else hertz)


def _positive(value: float) -> float:
    """Refuse what is not above zero."""
    if value <= 0:
        raise WrongValue("expected a fraction above zero")
    return value


def _decade(value: Any) -> Any:
    """Read a frequency that is a power of ten hertz."""
    decade = FREQUENCY.read(value)
    if decade != 10 ** decade.adjusted():
        raise WrongValue("expected a decade of the dial: 1, 10, 100 ... Hz, kHz or MHz")
    return decade


_LINE: Final = text(longest=None, ascii_only=True, blank=True)
_NUMBER: Final = number("a number from 0 up", lambda value: 0 <= value < 1e6)
_WARM_UP: Final = ValueKind(
    _warm_up,
    {
        "type": "array",
        "items": {
            "type": "array",
            "minItems": 2,
            "maxItems": 2,
            "items": {"type": "string", "minLength": 1},
        },
    },
)
_DEVIATION: Final = "Allan deviation at 1 s of its"

OSCILLATOR_KEYS: Final = {
    "nominal": ConfigKey(
        kind=FREQUENCY,
        example='"10 MHz"',
        explanation="the frequency it should have",
        field="nominal_hz",
        required=True,
    ),
    "landing": ConfigKey(
        kind=FRACTION, example='"37 ppb"', explanation="offset once warm, before anybody trims"
    ),
    "warm_up": ConfigKey(
        kind=_WARM_UP,
        example='[["4 ppm", "5 s"], ["0.2 ppm", "12 s"]]',
        explanation="exponentials from power-on: offset and time constant of each",
    ),
    "ageing_per_day": ConfigKey(
        kind=FRACTION, example='"0.1 ppb"', explanation="constant drift, a day"
    ),
    "white_fm": ConfigKey(
        kind=FRACTION, example='"5e-11"', explanation=f"{_DEVIATION} white frequency noise"
    ),
    "flicker_fm": ConfigKey(
        kind=FRACTION, example='"8e-12"', explanation="Allan deviation of its flicker floor"
    ),
    "random_walk_fm": ConfigKey(
        kind=FRACTION, example='"1e-13"', explanation=f"{_DEVIATION} random-walk frequency noise"
    ),
    "white_pm": ConfigKey(
        kind=DURATION,
        example='"2e-12 s"',
        explanation="time error of one edge, rms",
        field="white_pm_s",
    ),
}
TRIMMER: Final = ConfigTable(
    explanation="what its trimmer is like",
    entries={
        "sensitivity": ConfigKey(
            kind=FRACTION, example='"50 ppb"', explanation="offset a turn, positive: forward is up"
        ),
        "backlash_turns": ConfigKey(
            kind=_NUMBER,
            example="0.006",
            explanation="turns that a change of direction takes before the offset moves",
        ),
        "creep": ConfigKey(
            kind=_NUMBER, example="0.04", explanation="part of each step that arrives late"
        ),
        "creep_time": ConfigKey(
            kind=DURATION,
            example='"4 s"',
            explanation="time constant of the late part",
            field="creep_s",
        ),
        "tool_pull": ConfigKey(
            kind=FRACTION, example='"6 ppb"', explanation="offset while a tool rests on it"
        ),
        "tool_time": ConfigKey(
            kind=DURATION,
            example='"0.3 s"',
            explanation="time constant of that pull, coming and going",
            field="tool_s",
        ),
    },
)
DIAL: Final = ConfigTable(
    explanation="it is the time base of a synthesizer with this dial, set to the nominal at first",
    entries={
        "lowest": ConfigKey(
            kind=FREQUENCY,
            example='"100 kHz"',
            explanation="lowest output that can be dialled",
            field="lowest_hz",
            required=True,
        ),
        "highest": ConfigKey(
            kind=FREQUENCY,
            example='"160 MHz"',
            explanation="highest output that can be dialled",
            field="highest_hz",
            required=True,
        ),
        "step": ConfigKey(
            kind=FREQUENCY,
            example='"1 Hz"',
            explanation="every setting is a multiple of it",
            field="step_hz",
        ),
        "decade": ConfigKey(
            kind=ValueKind(_decade, FREQUENCY.schema),
            example='"100 kHz"',
            explanation="decade at which the output misses unless its digit is 0; left out: none",
            field="decade_hz",
        ),
        "miss": ConfigKey(
            kind=ValueKind(_miss, FREQUENCY.schema),
            example='"0.3 Hz"',
            explanation="by how much it misses there: hertz, or a fraction such as 20 ppb",
        ),
    },
)
CHECKS: Final = ConfigKey(
    kind=list_of(as_written(FREQUENCY), "frequencies in quotes"),
    example='["1 MHz", "100 MHz"]',
    explanation="settings of the dial at which the output is to be checked, in their order",
    default=(),
)
SETTING_KEYS: Final = {
    "identity": ConfigKey(
        kind=_LINE,
        example='"SIMULATED,BENCH COUNTER,0,1.0"',
        explanation="its answer to *IDN?",
    ),
    "gate_command": ConfigKey(
        kind=one_of(*GATE_PATTERNS),
        example='"aperture"',
        explanation="which form of the gate command it knows",
    ),
    "gate": ConfigKey(
        kind=ValueKind(_gate, DURATION.schema),
        example='"0.25 s"',
        explanation='at power-on; "none": it answers at once with what it saw last',
        field="gate_s",
    ),
    "gate_least": ConfigKey(
        kind=DURATION, example='"1 ms"', explanation="its shortest gate", field="gate_least_s"
    ),
    "gate_most": ConfigKey(
        kind=DURATION, example='"100 s"', explanation="its longest gate", field="gate_most_s"
    ),
    "dead_time": ConfigKey(
        kind=DURATION, example='"10 ms"', explanation="from gate to gate", field="dead_s"
    ),
    "continuous": ConfigKey(
        kind=SWITCH, example="true", explanation="it measures by itself from power-on"
    ),
}
WIRING_KEYS: Final = {
    "bus": ConfigKey(kind=one_of(*BUSES), example='"socket"', explanation="where it stands"),
    "dialect": ConfigKey(
        kind=one_of(*DIALECTS), example='"scpi"', explanation="what it speaks there"
    ),
    "style": ConfigKey(
        kind=one_of(*STYLES), example='"number"', explanation="how a talk-only counter writes"
    ),
    "address": ConfigKey(
        kind=whole_number(0, 30),
        example="5",
        explanation="on a bus with addresses; left out: the next free one",
    ),
    "pulse": ConfigKey(
        kind=DURATION,
        example='"1 s"',
        explanation="from pulse to pulse of a time-interval counter's inputs",
        field="pulse_s",
    ),
    "interval": ConfigKey(
        kind=DURATION,
        example='"0.25 s"',
        explanation="a time-interval counter's reading at power-on",
        field="interval_s",
    ),
    "driver": ConfigKey(
        kind=_LINE,
        example='"talk-only-display"',
        explanation="the driver that reads it; left out: the one of its dialect",
    ),
}
COUNTING_KEYS: Final = {
    "reference": ConfigKey(
        kind=SWITCH,
        example="true",
        explanation="whether the station's reference is plugged in, if the bench has one",
        field="reference_plugged",
    ),
    "resolution": ConfigKey(
        kind=DURATION,
        example='"1e-11 s"',
        explanation="of one time interval; a reading's is this over the gate",
        field="t_res_s",
    ),
    "maximum": ConfigKey(
        kind=FREQUENCY,
        example='"200 MHz"',
        explanation="above it the counter reads overrange",
        field="maximum_hz",
    ),
    "wild": ConfigKey(
        kind=_NUMBER, example="0.01", explanation="part of the readings that are wild"
    ),
    "wild_least": ConfigKey(
        kind=FRACTION, example='"3 ppb"', explanation="least by which a wild reading misses"
    ),
    "wild_most": ConfigKey(
        kind=FRACTION, example='"30 ppb"', explanation="most by which a wild reading misses"
    ),
}


def _oscillator(explanation: str, *, repeated: bool = False) -> ConfigTable:
    """Declare an oscillator; only one that is `repeated` by name needs a nominal."""
    nominal = OSCILLATOR_KEYS["nominal"]
    return ConfigTable(
        explanation=explanation,
        required=repeated,
        repeated="named" if repeated else "no",
        name_pattern=NAME,
        entries={
            **OSCILLATOR_KEYS,
            "nominal": nominal if repeated else replace(nominal, required=False),
            "trimmer": TRIMMER,
            **({"checks": CHECKS, "dial": DIAL} if repeated else {}),
        },
    )


def _reference(explanation: str) -> ConfigTable:
    """Declare the reference: an oscillator, and what is stated of it."""
    table = _oscillator(explanation)
    stated = ConfigKey(
        kind=FRACTION.then(_positive),
        example='"1e-12"',
        explanation="its standard uncertainty as stated; left out: nothing is stated",
    )
    return replace(table, entries={**table.entries, "uncertainty": stated})


def declare_simulated_bench(oscillator: str = "main") -> ConfigTable:
    """Declare the file; messages propose the name `oscillator` for the oscillator of a counter."""
    return ConfigTable(
        explanation="which oscillators and counters stand on a simulated bench",
        entries={
            "about": ConfigKey(
                kind=_LINE,
                example='"the station\'s oscillator, warm already"',
                explanation="what the bench shows, one line",
                default="",
            ),
            "tolerance": ConfigKey(
                kind=as_written(FRACTION), example='"2 ppb"', explanation="suggested tolerance"
            ),
            "settle": ConfigKey(
                kind=as_written(quantity("a fraction over a time", parse_settle)),
                example='"1 ppb/20 s"',
                explanation="suggested settle limit",
            ),
            "proof": ConfigKey(
                kind=list_of(
                    list_of(text(longest=None, blank=True), "names of counters"),
                    "lists of names of counters",
                ),
                example='[["ten", "spare"]]',
                explanation="counters on one oscillator that are to be compared",
                default=(),
            ),
            "reference": _reference("the station's reference; left out: the bench has none"),
            "oscillators": _oscillator("an oscillator under test", repeated=True),
            "counters": ConfigTable(
                explanation="a counter",
                required=True,
                repeated="named",
                name_pattern=NAME,
                entries={
                    "oscillator": ConfigKey(
                        kind=text(longest=None, blank=True),
                        example=f'"{oscillator}"',
                        explanation="name of the oscillator at its input",
                        required=True,
                    ),
                    "checks": replace(
                        CHECKS, explanation=f"{CHECKS.explanation}; left out: the oscillator's"
                    ),
                    "switched_on": ConfigKey(
                        kind=DURATION,
                        example='"20 s"',
                        explanation="when it is switched on; left out: with the bench",
                        field="switched_on_s",
                    ),
                    **WIRING_KEYS,
                    **SETTING_KEYS,
                    **COUNTING_KEYS,
                    "time_base": _oscillator("the counter's own oscillator"),
                },
            ),
        },
    )
