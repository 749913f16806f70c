"""The declaration of a profile: its tables and keys, and the field of the record each fills."""

from typing import Final

from benchwatch.config_tables import DURATION, ConfigKey, ConfigTable, mapping, one_of
from benchwatch_drivers.profile.profile import MEASURES, MODES
from benchwatch_drivers.profile.profile_values import (
    COMMAND,
    EXACT_DURATION,
    FACTOR,
    GATE_COMMAND,
    NUMBER,
    PATTERN,
    RESOLUTION,
    TEXT,
    UNIT_OF_TIME,
    channel,
    chosen,
)

TERMINATORS: Final = ("\n", "\r", "\r\n")
DECIMAL_MARKS: Final = (".", ",")

_LINE: Final = ConfigTable(
    explanation="what a whole line of the counter looks like",
    required=True,
    entries={
        "pattern": ConfigKey(
            kind=PATTERN,
            example=r"'(?P<number>\d{8}\.\d{4})'",
            explanation="matches a reading in full; the group number holds its digits",
            required=True,
        ),
        "terminator": ConfigKey(
            kind=one_of(*TERMINATORS), example=r'"\n"', explanation="how a line ends"
        ),
        "unit": ConfigKey(
            kind=TEXT,
            example='"Hz"',
            explanation="of the number, where the line names none by the group unit",
        ),
        "scale": ConfigKey(
            kind=NUMBER, example='"1e6"', explanation="the number is multiplied by this"
        ),
        "decimal_mark": ConfigKey(
            kind=one_of(*DECIMAL_MARKS), example='"."', explanation="between units and tenths"
        ),
        "headers": ConfigKey(
            kind=mapping(TEXT.read, TEXT),
            example='{ F = "frequency", P = "period" }',
            explanation="what the group header may hold, and which function each means",
        ),
        "overrange": ConfigKey(
            kind=PATTERN, example="'-{3,}'", explanation="matches a line that says overrange"
        ),
        "invalid": ConfigKey(
            kind=PATTERN,
            example=r"'\+?9\.91E\+?37'",
            explanation="matches a line that says that there is no result",
        ),
        "ignore": ConfigKey(
            kind=PATTERN,
            example="'Gate.*'",
            explanation="matches a line that is no reading, such as a heading",
        ),
        "first_line": ConfigKey(
            kind=chosen("keep", "drop"),
            example='"drop"',
            explanation='of a stream: "keep" where it is whole however one connects',
            field="keeps_first",
        ),
        "doubled": ConfigKey(
            kind=chosen("count", "drop"),
            example='"drop"',
            explanation='an equal line at once: "count" where it is another reading',
            field="counts_doubled",
        ),
        "resolution": ConfigKey(
            kind=RESOLUTION,
            example='"0.01 Hz"',
            explanation='the real resolution; "written": the last digit; or "unknown"',
        ),
        "cuts": ConfigKey(
            kind=chosen("terminator", "refused"),
            example='"terminator"',
            explanation='"terminator" where digits vary and only the line\'s end tells a cut',
            field="by_terminator",
        ),
    },
)
_READING: Final = ConfigTable(
    explanation="how a reading is asked for",
    entries={
        "command": ConfigKey(
            kind=COMMAND,
            example='"READ?"',
            explanation="the question in mode query, the trigger in mode addressed",
            field="reading",
        ),
        "hands_out": ConfigKey(
            kind=chosen("newest", "new"),
            example='"newest"',
            explanation='"newest" where it answers at once, and the same result again and again',
            field="hands_out_newest",
        ),
    },
)
_GATE: Final = ConfigTable(
    explanation="how the gate is known and set",
    entries={
        "fixed": ConfigKey(
            kind=DURATION,
            example='"1 s"',
            explanation="what the front panel is set to, where it can't be asked",
            field="fixed_s",
        ),
        "query": ConfigKey(kind=COMMAND, example='"GATE?"', explanation="asks for the gate"),
        "pattern": ConfigKey(
            kind=PATTERN,
            example=r"'W (?P<number>\d+)'",
            explanation="the whole answer; a group number holds its digits",
        ),
        "unit": ConfigKey(
            kind=UNIT_OF_TIME,
            example='"ms"',
            explanation="in which the gate is asked and set",
            field="unit_s",
        ),
        "answers": ConfigKey(
            kind=mapping(str, DURATION),
            example='{ "2" = "1 s" }',
            explanation="answers that are codes, and the gate each means",
        ),
        "command": ConfigKey(
            kind=GATE_COMMAND, example='"GATE {gate}"', explanation="sets any gate"
        ),
        "choices": ConfigKey(
            kind=mapping(DURATION.read, COMMAND),
            example='{ "1 s" = "G2" }',
            explanation="the only gates there are, and the command of each",
        ),
    },
)
_REFERENCE: Final = ConfigTable(
    explanation="how the time base is asked for",
    entries={
        "query": ConfigKey(
            kind=COMMAND, example='"ROSC:SOUR?"', explanation="asks for it", required=True
        ),
        "internal": ConfigKey(
            kind=PATTERN, example="'INT'", explanation="the answer: its own", required=True
        ),
        "external": ConfigKey(
            kind=PATTERN, example="'EXT'", explanation="the answer: the reference", required=True
        ),
    },
)
_IDENTITY: Final = ConfigTable(
    explanation="how the counter says who it is",
    entries={
        "query": ConfigKey(
            kind=COMMAND,
            example='"*IDN?"',
            explanation="asks who is there",
            field="identity_query",
            required=True,
        ),
        "pattern": ConfigKey(
            kind=PATTERN,
            example="'TIDE HOUSE,COUNTER.*'",
            explanation="the whole answer of a counter that this profile fits",
            field="identity_pattern",
        ),
    },
)
_ERRORS: Final = ConfigTable(
    explanation="how the counter is asked whether it refused a setting",
    entries={
        "query": ConfigKey(
            kind=COMMAND, example='"SYST:ERR?"', explanation="asks for an error", required=True
        ),
        "none": ConfigKey(
            kind=PATTERN, example="'0,.*'", explanation="the answer: no error", required=True
        ),
    },
)
_TIMEOUT: Final = ConfigTable(
    explanation="how long a reading may take",
    entries={
        "gates": ConfigKey(
            kind=FACTOR,
            example="2",
            explanation="this many gates, as where a trigger meets a gate under way",
            field="timeout_gates",
        ),
        "margin": ConfigKey(
            kind=DURATION,
            example='"3 s"',
            explanation="and this much longer",
            field="timeout_margin_s",
        ),
    },
)
_INTERVAL: Final = ConfigTable(
    explanation="what two pulse trains are compared",
    entries={
        "period": ConfigKey(
            kind=EXACT_DURATION,
            example='"1 s"',
            explanation="the interval starts over after one period",
            field="period_s",
        ),
        "spacing": ConfigKey(
            kind=EXACT_DURATION,
            example='"1 s"',
            explanation="from line to line",
            field="spacing_s",
        ),
        "starts": ConfigKey(
            kind=chosen("source", "reference"),
            example='"reference"',
            explanation="which pulse starts the interval",
            field="starts_with_source",
        ),
    },
)
_EXAMPLE: Final = ConfigTable(
    explanation="a line as the counter writes it, and what it means",
    required=True,
    repeated="array",
    begin_with=("line", "value"),
    entries={
        "line": ConfigKey(
            kind=TEXT,
            example='"10000000.0231"',
            explanation="copied from the counter",
            required=True,
        ),
        "value": ConfigKey(
            kind=TEXT,
            example='"10000000.0231 Hz"',
            explanation="what it says; left out: it is no reading",
        ),
    },
)
PROFILE: Final = ConfigTable(
    explanation="the dialect of a counter",
    entries={
        "family": ConfigKey(
            kind=TEXT,
            example='"counter of the tide house"',
            explanation="what it is for, in a few words",
            required=True,
        ),
        "mode": ConfigKey(
            kind=one_of(*MODES),
            example='"query"',
            explanation="a question, a trigger or addressing, or nothing brings a reading",
            required=True,
        ),
        "measures": ConfigKey(
            kind=one_of(*MEASURES), example='"frequency"', explanation="what the number is"
        ),
        "local": ConfigKey(
            kind=COMMAND,
            example='"SYST:LOC"',
            explanation="gives the front panel back; sent only where something was set",
        ),
        "channels": ConfigKey(
            kind=mapping(channel, COMMAND, "^[0-9]+$"),
            example="{ 1 = 'FUNC \"FREQ 1\"' }",
            explanation="the inputs, and the command that chooses each",
        ),
        "line": _LINE,
        "reading": _READING,
        "gate": _GATE,
        "reference": _REFERENCE,
        "identity": _IDENTITY,
        "errors": _ERRORS,
        "timeout": _TIMEOUT,
        "interval": _INTERVAL,
        "examples": _EXAMPLE,
    },
)
