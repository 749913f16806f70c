"""The JSON schema (draft 2020-12) of the JSON lines of watch, replay, export and stability.

A program that reads the lines may rely on every key that is listed as required. Later versions may
add keys, so that the schema allows others.
"""

import copy
from collections.abc import Mapping, Sequence
from typing import Any, Final, get_args

from benchwatch.config_tables.json_schema import DIALECT
from benchwatch.estimate.results import SettleState
from benchwatch.reading import FLAGS, RECORD_KINDS

Schema = dict[str, Any]

TITLE: Final = "JSON lines of watch, replay, export and stability"


def _number(description: str, *, least: float | None = None, null: bool = True) -> Schema:
    found: Schema = {"type": ["number", "null"] if null else "number", "description": description}
    return found if least is None else found | {"minimum": least}


def _count(description: str) -> Schema:
    return {"type": "integer", "minimum": 0, "description": description}


def _text(description: str, *, null: bool = False) -> Schema:
    return {"type": ["string", "null"] if null else "string", "description": description}


def _switch(description: str, *, null: bool = True) -> Schema:
    return {"type": ["boolean", "null"] if null else "boolean", "description": description}


def _one_of(words: Sequence[str], description: str) -> Schema:
    return {"enum": list(words), "description": description}


def _list(items: Schema, description: str) -> Schema:
    return {"type": "array", "items": items, "description": description}


def _object(
    description: str, keys: Mapping[str, Schema], *, null: bool = False, may: Sequence[str] = ()
) -> Schema:
    """Return the schema of an object that has all `keys` but those that it `may` have."""
    return {
        "type": ["object", "null"] if null else "object",
        "description": description,
        "properties": dict(keys),
        "required": [name for name in keys if name not in may],
    }


def _line(
    kind: str, description: str, keys: Mapping[str, Schema], may: Sequence[str] = ()
) -> Schema:
    return _object(description, {"kind": {"const": kind}, **keys}, may=may)


_TIME: Final = {
    "type": ["string", "null"],
    "pattern": r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3,6}Z$",
    "description": "UTC, ISO 8601; null where it is not known.",
}
_COUNTER: Final = _text("Name of the counter.")
_AT: Final = {
    "counter": _COUNTER,
    "time": _TIME,
    "elapsed_s": _number("Seconds since the run began.", null=False),
}
_U: Final = _number("Standard uncertainty (k = 1), a fraction.", least=0)
_OFFSET: Final = _number("Fractional: frequency over nominal, less 1; positive runs fast.")

_ESTIMATE: Final = _object(
    "The present offset, from the readings since the last nudge or gap.",
    {
        "offset": _OFFSET,
        "u": _U,
        "readings": _count("How many readings it is from."),
        "span_s": _number("Over which time.", least=0),
    },
    null=True,
)
_DRIFT: Final = _object(
    "How fast the offset changes.",
    {
        "per_s": _number("Fraction a second."),
        "u": _number("Standard uncertainty of it.", least=0),
        "span_s": _number("Over which time.", least=0),
    },
    null=True,
)
_NUDGE: Final = _object(
    "The step that this reading confirmed: a turn of the trimmer, or the tool put on or lifted.",
    {
        "at_s": _number("Time of the first reading after it, in seconds of the run."),
        "size": _number("Fraction; positive: the frequency went up."),
        "u": _U,
    },
    null=True,
)
_CYCLE: Final = _object(
    "A regular up and down of the offset, as by a thermostat.",
    {
        "period_s": _number("Seconds."),
        "period_u": _number("Standard uncertainty of the period.", least=0),
        "swing": _number("Fraction, from peak to peak."),
        "swing_u": _number("Standard uncertainty of the swing.", least=0),
    },
    null=True,
)
_HELD: Final = _object(
    "How the verdict has held since it was first given.",
    {
        "first_s": _number("When it was first given, in seconds of the run."),
        "held_s": _number("How long it has held in all.", least=0),
        "worst": _number("Largest excursion since, a fraction."),
        "worst_s": _number("When that was."),
        "gaps": _count("Gaps in the readings since."),
        "gaps_s": _number("How long they lasted in all.", least=0),
    },
    null=True,
)
_SETTLE: Final = _object(
    "Whether the offset moves by less than was asked for; null where nothing was.",
    {
        "state": _one_of(get_args(SettleState), "The verdict."),
        "since_s": _number("When it settled; null unless settled."),
        "eta_s": _number("Time to go; null when unknown or settled."),
        "eta_low_s": _number("The least time to go."),
        "eta_high_s": _number("The longest time to go."),
        "reason": _text("Why, and what it needs to become sure."),
        "cycle": _CYCLE,
        "held": _HELD,
    },
    null=True,
)
_REST: Final = _object(
    "Where the offset will come to rest, while it creeps after a turn.",
    {
        "offset": _OFFSET,
        "u": _U,
        "in_s": _number("In how many seconds.", least=0),
    },
    null=True,
)
_TOLERANCE: Final = _object(
    "The limit that was asked for; null without one.",
    {
        "limit": _number("Fraction.", least=0, null=False),
        "inside": _switch("Whether the offset lies inside it.", null=False),
    },
    null=True,
)
_READING: Final = _line(
    "reading",
    "One measurement, dated at the middle of its gate.",
    {
        **_AT,
        "gate_s": _number("Gate in seconds.", least=0),
        "frequency_hz": _number("Hertz; null over the counter's range."),
        "offset_hz": _number("Frequency less nominal, in hertz."),
        "offset": _OFFSET,
        "estimate": _ESTIMATE,
        "drift": _DRIFT,
        "nudge": _NUDGE,
        "settle": _SETTLE,
        "tolerance": _TOLERANCE,
        "flags": _list(_one_of(sorted(FLAGS), "One of them."), "Properties of the reading."),
        "text": _text("The number as the counter wrote it; empty where it is not known."),
        "correction": _number("Known offset of the time base that the offsets are corrected for."),
        "dial_hz": _number("The other dial setting that the offsets are relative to."),
        "rest": _REST,
        "not_on_disk": {
            "type": ["integer", "null"],
            "minimum": 0,
            "description": "Events that wait for the journal; null without one.",
        },
        "time_base": {"const": "external", "description": "Stated by an export that knows it."},
    },
    may=("time_base",),
)
_BUDGET_LINE: Final = _object(
    "One contribution.",
    {
        "name": _text("What contributes."),
        "estimate": _number("What it adds to the offset, a fraction."),
        "u": _U,
        "distribution": _text("Of its values."),
        "dof": _number("Degrees of freedom; null: endless."),
        "sensitivity": _number("How much of it counts."),
        "contribution": _number("What it adds to the uncertainty, a fraction."),
        "source": _text("Where it comes from."),
    },
)
_RECORD: Final = _line(
    "record",
    "An offset that was put on record, with its budget.",
    {
        **_AT,
        "record": _object(
            "The whole record.",
            {
                "kind": _one_of(RECORD_KINDS, "Kind of the record."),
                "counter": _COUNTER,
                "nominal_hz": _number("Hertz."),
                "utc_s": _number("Middle of the readings, Unix seconds."),
                "span_s": _number("Over which time.", null=False, least=0),
                "readings": _count("How many readings it is from."),
                "conditions": _list(
                    _list(_text("Name, then value."), "One condition."), "What was so at the time."
                ),
                "budget": _object(
                    "The uncertainty budget.",
                    {
                        "lines": _list(_BUDGET_LINE, "The contributions."),
                        "missing": _list(_text("A name."), "What is not known."),
                    },
                ),
            },
        ),
    },
)
_CHECK: Final = _line(
    "check",
    "Whether the output of the unit follows at another dial setting.",
    {
        **_AT,
        "setting_hz": _number("The setting, in hertz.", null=False),
        "nominal_hz": _number("The main one, in hertz.", null=False),
        "utc_s": _number("Unix seconds."),
        "began_utc_s": _number("Of its first reading, Unix seconds."),
        "verdict": _one_of(("follows", "does not follow", "can't tell"), "The answer."),
        "foretold": _number("Offset that the main setting foretells, a fraction."),
        "foretold_u": _U,
        "read": _number("Offset that was read, a fraction."),
        "read_u": _U,
        "readings": _count("How many readings."),
        "difference": _number("Read less foretold."),
        "u": _U,
        "dof": _number("Degrees of freedom; null: endless."),
        "expanded": _number("U, 95 %.", least=0),
        "limit": _number("A quarter of the tolerance.", least=0),
        "text": _text("The answer as a sentence."),
    },
)
_PAIR: Final = _object(
    "Two counters.",
    {
        "first": _COUNTER,
        "second": _COUNTER,
        "offset": _number("First less second, a fraction."),
        "u": _U,
        "dof": _number("Degrees of freedom; null: endless, or not known."),
        "expanded": _number("U.", least=0),
        "coverage": _number("Of U, 0 to 1."),
        "readings": _count("Pairs of readings."),
        "agree": _switch("Whether they agree."),
    },
)
_COMPARISON: Final = _line(
    "comparison",
    "Counters on one signal, compared.",
    {
        "counters": _list(_COUNTER, "Their names."),
        "time": _TIME,
        "elapsed_s": _AT["elapsed_s"],
        "agree": _switch("Whether they agree; null while that is not known."),
        "pairs": _list(_PAIR, "Each two of them."),
        "time_bases": {
            "type": "object",
            "additionalProperties": _text("internal, external, unknown or changing."),
            "description": "By what each counts.",
        },
        "claims": _list({"type": "object"}, "Time bases that are off, and by how much."),
        "refused": _list(_text("A sentence."), "What the readings do not prove."),
        "own": _list({"type": "object"}, "The noise of each of three and more alone."),
        "readings": _count("Readings that are compared."),
        "span_s": _number("Over which time."),
        "tolerance": _number("Smallest tolerance of the units, a fraction."),
        "same_moments": _switch("Whether all read at the same moments."),
        "text": _list(_text("A sentence."), "What it says."),
        "waits": _text("What it waits for.", null=True),
        "recorded": _switch("Whether it is on record.", null=False),
    },
    may=("refused", "readings", "span_s", "tolerance", "same_moments"),
)
_STABILITY: Final = _line(
    "stability",
    "One deviation at one averaging time.",
    {
        "deviation": _text("Its name."),
        "tau_s": _number("Averaging time in seconds.", null=False, least=0),
        "value": _number("Fraction; in seconds for a time deviation.", null=False, least=0),
        "low": _number("Lower limit.", least=0),
        "high": _number("Upper limit.", least=0),
        "confidence": _number("Coverage of the limits, 0 to 1.", null=False),
        "edf": _number("Equivalent degrees of freedom."),
        "n": _count("Differences that were averaged."),
        "noise": _text("Name of the noise that the limits assume.", null=True),
        "bias": _number("Expected ratio to the true value, of a total deviation."),
        "corrected": _number("Value over bias."),
        "begin_s": _number("Begin of the readings that were used, in seconds of the file."),
        "end_s": _number("Their end."),
        "begin": _TIME,
        "end": _TIME,
        "since": _one_of(("whole", "typed", "nudge", "settled"), "How the part was chosen."),
        "spikes": _count("Lone wild readings that were left out."),
    },
)

LINES: Final[Mapping[str, Schema]] = {
    "reading": _READING,
    "gap": _line(
        "gap",
        "A time without readings.",
        {
            **_AT,
            "lasted_s": _number("How long it lasted, in seconds.", null=False, least=0),
            "reason": _text("Why, as a sentence."),
        },
    ),
    "mark": _line("mark", "A note on the time line.", {**_AT, "text": _text("The note.")}),
    "record": _RECORD,
    "check": _CHECK,
    "comparison": _COMPARISON,
    "stability": _STABILITY,
    "end": _line(
        "end",
        "The last line.",
        {
            "readings": _count("Measurements, all counters together."),
            "gaps": _count("Gaps, all counters together."),
            "reason": _text("Why the run ended."),
        },
    ),
}
"""The schema of each kind of line."""


def line_schema(*, closed: bool = False) -> Schema:
    """Return the JSON schema of a line.

    Args:
        closed: whether keys that are not listed are refused, as for a test of this version.
    """
    kinds = {name: copy.deepcopy(schema) for name, schema in LINES.items()}
    if closed:
        for schema in kinds.values():
            _close(schema)
    return {
        "$schema": DIALECT,
        "title": TITLE,
        "description": "One JSON object a line. Offsets and u are fractions, times are UTC, names "
        "end in their unit; null is unknown, or was not asked for.",
        "oneOf": [{"$ref": f"#/$defs/{name}"} for name in kinds],
        "$defs": kinds,
    }


def _close(schema: Schema) -> None:
    """Refuse other keys in an object and in all objects within it."""
    if "properties" in schema:
        schema["additionalProperties"] = False
        for inner in schema["properties"].values():
            _close(inner)
    if isinstance(schema.get("items"), dict):
        _close(schema["items"])
