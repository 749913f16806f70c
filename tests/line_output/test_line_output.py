"""Lines: strict JSON by the contract, readable lines for people, each once and in order."""

import io
import json
import math
import re
from dataclasses import replace

import pytest
from chain_kit import made_comparison, made_result
from hypothesis import given
from hypothesis import strategies as st
from line_schema_kit import held
from pipeline_kit import START_UTC_S, reading

from benchwatch.clock import iso_time
from benchwatch.estimate.results import Drift, Estimate, Nudge, Numbers, Rest, Settle, Tolerance
from benchwatch.line_output import EndOfRun, LineOutput, PlainWriter, json_line
from benchwatch.reading import Gap, Mark, Reading
from benchwatch.snapshot import ComparisonNow

NUMBERS = Numbers(
    estimate=Estimate(2.28e-9, 1.1e-10, 14, 14.0),
    drift=Drift(-1.2e-13, 3.0e-14, 120.0),
    settle=Settle("warming", None, 420.0, reason="moves by 2 ppb in 10 min"),
    tolerance=Tolerance(5e-9, inside=True),
)
GAP = Gap(
    counter="main",
    utc_s=START_UTC_S + 40,
    elapsed_s=40.0,
    lasted_s=6.2,
    reason="no reply within 2.5 s",
)


def strict(line: str) -> dict:
    """Read a line as a strict reader does, and hold it against the schema of the lines."""
    return held(plain(line))


def plain(line: str) -> dict:
    """Read a line as a strict reader does: NaN and Infinity are no JSON (RFC 8259, section 6)."""

    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is no JSON")

    assert "\n" not in line
    return json.loads(line, parse_constant=refuse)


# ------------------------------------------------------------- JSON


def test_a_reading_has_every_key_of_the_contract():
    """The example of the contract, key by key; more keys may follow."""
    line = strict(json_line(replace(reading(12), elapsed_s=12.5), NUMBERS))

    expected = {
        "kind": "reading",
        "counter": "main",
        "time": "2031-05-04T10:20:32.500Z",
        "elapsed_s": 12.5,
        "gate_s": 1.0,
        "frequency_hz": 10000000.0231,
        "offset_hz": 0.0231,
        "offset": 2.31e-09,
        "estimate": {"offset": 2.28e-09, "u": 1.1e-10, "readings": 14, "span_s": 14.0},
        "drift": {"per_s": -1.2e-13, "u": 3.0e-14, "span_s": 120.0},
        "nudge": None,
        "tolerance": {"limit": 5e-09, "inside": True},
        "flags": [],
    }
    settle = line.pop("settle")
    assert {key: line[key] for key in expected} == expected
    assert list(line)[: len(expected)] == list(expected)
    assert {key: settle[key] for key in ("state", "since_s", "eta_s")} == {
        "state": "warming",
        "since_s": None,
        "eta_s": 420.0,
    }


def test_unknown_values_are_null():
    """Without limits and results all values are null, and none is NaN."""
    nothing = Reading(
        counter="main",
        utc_s=math.nan,
        elapsed_s=1.0,
        gate_s=None,
        text="",
        frequency_hz=math.nan,
        offset_hz=math.nan,
        offset=math.nan,
    )
    line = strict(json_line(nothing, Numbers(estimate=Estimate(math.nan, math.inf, 1, math.nan))))

    assert [line[key] for key in ("time", "gate_s", "frequency_hz", "offset_hz", "offset")] == [
        None
    ] * 5
    assert [line[key] for key in ("drift", "nudge", "settle", "tolerance")] == [None] * 4
    assert line["estimate"] == {"offset": None, "u": None, "readings": 1, "span_s": None}


def test_equal_numbers_with_different_signs_are_written_apart():
    """0.0 and -0.0 are equal to Python, and a line after the other must not repeat its text."""
    lines = [
        json_line(reading(1), replace(NUMBERS, drift=Drift(zero, None, 1.0)))
        for zero in (0.0, -0.0, 0.0)
    ]

    assert ['"per_s":-0.0' in line for line in lines] == [False, True, False]


def test_lines_of_counters_in_turn_have_their_own_numbers():
    """A verdict that was written for one counter is not repeated for the next."""
    other = replace(NUMBERS, settle=None, drift=None, tolerance=Tolerance(1e-9, inside=False))
    lines = [strict(json_line(reading(1), numbers)) for numbers in (NUMBERS, other, NUMBERS)]

    assert [line["settle"] is None for line in lines] == [False, True, False]
    assert [line["drift"] is None for line in lines] == [False, True, False]
    assert [line["tolerance"]["inside"] for line in lines] == [True, False, True]


def test_a_confirmed_nudge_and_flags_are_on_the_line():
    """The line of the reading that confirmed a nudge has it; flags are sorted."""
    flagged = reading(5, flags=frozenset({"spike", "internal-timebase"}))
    line = strict(json_line(flagged, Numbers(confirmed_nudge=Nudge(4.0, -3e-9, None))))

    assert line["nudge"] == {"at_s": 4.0, "size": -3e-9, "u": None}
    assert line["flags"] == ["internal-timebase", "spike"]


def test_a_creep_gives_the_level_at_rest():
    """Both kinds of lines have the level at rest during a creep; null without one."""
    creeping = replace(NUMBERS, rest=Rest(1.2e-9, 3e-10, 12.5, 9, 9.0))
    line = strict(json_line(reading(5), creeping))

    assert line["rest"] == {"offset": 1.2e-9, "u": 3e-10, "in_s": 12.5}
    assert strict(json_line(reading(5), NUMBERS))["rest"] is None
    assert "  will rest at +1.20 ± 0.30 ppb" in PlainWriter()(reading(5), creeping)


def test_gap_mark_and_end():
    """The lines of gap, mark and end."""
    gap, mark, end = (
        strict(json_line(event, Numbers()))
        for event in (
            GAP,
            Mark(counter="main", utc_s=START_UTC_S, elapsed_s=0.0, text="cover on"),
            EndOfRun(1200, 1, "count reached"),
        )
    )

    assert gap == {
        "kind": "gap",
        "counter": "main",
        "time": "2031-05-04T10:21:00.500Z",
        "elapsed_s": 40.0,
        "lasted_s": 6.2,
        "reason": "no reply within 2.5 s",
    }
    assert (mark["kind"], mark["text"]) == ("mark", "cover on")
    assert end == {"kind": "end", "readings": 1200, "gaps": 1, "reason": "count reached"}


any_float = st.floats(allow_nan=True, allow_infinity=True)


@given(any_float, any_float, any_float, st.text(), st.text())
def test_any_values_and_texts_make_strict_json(utc_s, value, other, name, text):
    """Any text of an instrument or a file gives one line of strict JSON in ASCII."""
    events = (
        Reading(
            counter=name,
            utc_s=utc_s,
            elapsed_s=other,
            gate_s=value,
            text=text,
            frequency_hz=value,
            offset_hz=other,
            offset=value,
            resolution_hz=other,
        ),
        Gap(counter=name, utc_s=utc_s, elapsed_s=value, lasted_s=other, reason=text),
        Mark(counter=name, utc_s=utc_s, elapsed_s=value, text=text),
        EndOfRun(3, 2, text),
    )
    numbers = Numbers(
        Estimate(value, other, 1, value), Drift(value, other, value), None,
        Nudge(value, other, value), Settle("unsure", value, other, value, other, text),
    )  # fmt: skip
    for event in events:
        line = json_line(event, numbers)

        assert plain(line)["kind"] in {"reading", "gap", "mark", "end"}  # some values are absurd
        assert re.fullmatch(r"[ -~]+", line)
        # As the standard library's own encoder writes it, though it is not written by that.
        assert line == json.dumps(json.loads(line), separators=(",", ":"))


@pytest.mark.parametrize(
    ("utc_s", "text"),
    [
        (0.0, "1970-01-01T00:00:00.000Z"),
        (951827696.9996, "2000-02-29T12:34:57.000Z"),  # rounded, not cut, across a second
        (1e9, "2001-09-09T01:46:40.000Z"),  # well known: the billionth second
        (math.nan, None),
        (1e30, None),
    ],
)
def test_time_is_iso_8601_in_utc_with_milliseconds(utc_s, text):
    """ISO 8601 with Z; a value that is no date gives null."""
    assert iso_time(utc_s) == text


# ------------------------------------------------------------- plain


def test_a_plain_line_in_full():
    """Time, counter, raw reading, offset, estimate with its u, verdicts."""
    line = PlainWriter()(reading(12), NUMBERS)

    assert line == (
        "2031-05-04T10:20:32.500Z  main  reading 10000000.0231 Hz  +0.0231 Hz  "
        "estimate +2.28 ± 0.11 ppb (14 readings)  warming  inside"
    )


def test_the_unit_of_a_plain_line_sticks():
    """The unit does not change with each reading near the border between two units."""
    writer = PlainWriter()
    lines = [
        writer(reading(n), Numbers(estimate=Estimate(size, None, 5, 5.0)))
        for n, size in enumerate((1e-9, 4e-11, 6e-11, 4e-11))
    ]

    assert all(line.endswith("ppb (5 readings)") for line in lines[:1])
    assert len({line.split(" ± ? ")[1] for line in lines[1:]}) == 1


@given(st.text(), st.text())
def test_plain_lines_hold_no_escapes(name, text):
    """Control characters, escapes and line ends in foreign text never reach the terminal."""
    writer = PlainWriter()
    for event in (
        replace(reading(1), counter=name, text=text),
        Gap(counter=name, utc_s=START_UTC_S, elapsed_s=1.0, lasted_s=2.0, reason=text),
        Mark(counter=name, utc_s=START_UTC_S, elapsed_s=1.0, text=text),
    ):
        line = writer(event, Numbers())

        assert not any(ord(c) < 32 or 127 <= ord(c) < 160 or c in "\u2028\u2029" for c in line)


MARKS = re.compile(r"\x1b\[([\d;]*)m")
"""Sequences that choose a style (SGR of ECMA-48)."""


@pytest.mark.parametrize(
    ("event", "numbers", "good", "off"),
    [
        (reading(12), NUMBERS, ["inside"], []),
        (
            reading(12, flags=frozenset({"spike"})),
            replace(NUMBERS, settle=Settle("settled", 3.0, None), tolerance=Tolerance(1e-9, False)),
            ["settled"],
            ["outside", "spike", "(not on disk: 3)"],
        ),
        (GAP, Numbers(), [], ["gap of 6.2 s"]),
    ],
)
def test_colours_mark_words_and_change_none(event, numbers, good, off):
    """Without its marks a coloured line is the plain one; each mark ends behind its word."""
    coloured = PlainWriter(colour=True)(event, numbers, 3)
    marked = [(one[1], one[0]) for one in re.findall(r"\x1b\[([^m]+)m(.*?)\x1b\[0m", coloured)]

    assert MARKS.sub("", coloured) == PlainWriter()(event, numbers, 3)
    expected = [(word, "1;38;5;16;48;5;75") for word in good]
    expected += [(word, "1;38;5;16;48;5;215") for word in off]
    if not isinstance(event, Gap) and not off:
        expected.append(("(not on disk: 3)", "1;38;5;16;48;5;215"))
    assert marked == expected


# ------------------------------------------------------------- when a line is final


def written(steps) -> list[dict]:
    """Put events and their numbers through `LineOutput`; return its output."""
    stream = io.StringIO()
    lines = LineOutput(stream, json_line)
    for event, numbers in steps:
        lines.event(event, numbers)
    lines.end(EndOfRun(0, 0, "end of test"))
    return [strict(line) for line in stream.getvalue().splitlines()][:-1]


def estimate(offset: float, **more) -> Numbers:
    """Return numbers that are recognised by their offset."""
    return Numbers(estimate=Estimate(offset, None, 1, 1.0), **more)


def test_a_lone_wild_reading_is_flagged_although_it_is_known_only_later():
    """The line of a suspect reading is held until it can be flagged; lines stay in order."""
    lines = written(
        [
            (reading(1), estimate(1e-9)),
            (reading(2), estimate(9e-6, suspect=True)),
            (reading(3), estimate(1.1e-9, spike_at_s=2.0)),
        ]
    )

    assert [line["elapsed_s"] for line in lines] == [1.0, 2.0, 3.0]
    assert [line["flags"] for line in lines] == [[], ["spike"], []]
    assert [line["estimate"]["offset"] for line in lines] == [1e-9, 1e-9, 1.1e-9]


def test_a_suspect_that_was_a_step_is_no_spike():
    """The next reading agrees with the suspect one, whose line is written unchanged."""
    lines = written(
        [
            (reading(1), estimate(1e-9)),
            (reading(2), estimate(9e-6, suspect=True)),
            (reading(3), estimate(9e-6, confirmed_nudge=Nudge(2.0, 9e-6, None))),
        ]
    )

    assert [line["flags"] for line in lines] == [[], [], []]
    assert [line["estimate"]["offset"] for line in lines] == [1e-9, 9e-6, 9e-6]


@pytest.mark.parametrize("after", [GAP, None])
def test_a_suspect_before_a_gap_or_the_end_is_not_lost(after):
    """As nothing can decide any more, its line is written before the gap, without a flag."""
    steps = [(reading(2), estimate(9e-6, suspect=True))]
    lines = written(steps if after is None else [*steps, (after, Numbers())])

    assert [line["kind"] for line in lines] == ["reading", "gap"][: len(lines)]
    assert lines[0]["flags"] == []


def test_lines_of_a_counter_stay_in_order_while_one_is_held():
    """A repeat after a suspect is held with it; another counter's lines are not."""
    repeat = replace(reading(3), flags=frozenset({"repeat"}))
    lines = written(
        [
            (reading(2), estimate(9e-6, suspect=True)),
            (repeat, estimate(9e-6, suspect=True)),
            (reading(2, counter="five"), estimate(5e-9)),
            (reading(4), estimate(1e-9, spike_at_s=2.0)),
        ]
    )

    assert [(line["counter"], line["elapsed_s"]) for line in lines] == [
        ("five", 2.0), ("main", 2.0), ("main", 3.0), ("main", 4.0),
    ]  # fmt: skip
    assert [line["flags"] for line in lines] == [[], ["spike"], ["repeat"], []]


@pytest.mark.parametrize(("encoding", "sign"), [("ascii", "+/-"), ("utf-8", "±"), ("cp437", "±")])
def test_plus_minus_is_spelled_out_where_the_encoding_lacks_it(encoding, sign):
    """On a pipe in ASCII +/- is written between value and uncertainty."""
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding=encoding, errors="replace")
    lines = LineOutput(stream, PlainWriter())
    lines.event(reading(1), NUMBERS)
    lines.end(EndOfRun(1, 0, "count reached"))

    assert f"+2.28 {sign} 0.11 ppb" in raw.getvalue().decode(encoding)


def test_lines_written_together_are_the_same_lines():
    """Five lines, two at once: four are written by themselves, the last one by a flush."""
    one_by_one, in_pairs = io.StringIO(), io.StringIO()
    single, paired = LineOutput(one_by_one, json_line), LineOutput(in_pairs, json_line, at_once=2)
    for number in range(5):
        single.event(reading(number), NUMBERS)
        paired.event(reading(number), NUMBERS)

    assert in_pairs.getvalue().count("\n") == 4
    paired.flush()
    assert in_pairs.getvalue() == one_by_one.getvalue()


def test_readings_not_on_disk_are_counted_on_each_line():
    """On plain lines only if there are any; on JSON lines always, null without a journal."""
    plain = [PlainWriter()(reading(12), NUMBERS, number) for number in (None, 0, 924)]
    lines = [strict(json_line(reading(12), NUMBERS, number)) for number in (None, 0, 924)]

    assert ["not on disk" in line for line in plain] == [False, False, True]
    assert plain[2].endswith("  (not on disk: 924)")
    assert [line["not_on_disk"] for line in lines] == [None, 0, 924]


# ------------------------------------------------------------- comparisons


def test_a_comparison_has_every_key_of_the_contract():
    """Counters, time, agreement, pairs, time bases, claims, sentences, own shares."""
    now = made_comparison(made_result({"main": (0.0, "external"), "spare": (-2e-7, "internal")}))

    line = strict(json_line(now, Numbers()))

    assert line["kind"] == "comparison"
    assert line["counters"] == ["main", "spare"]
    assert line["time"] == iso_time(now.utc_s)
    assert line["elapsed_s"] == 754.0
    assert line["agree"] is False
    (pair,) = line["pairs"]
    assert {"first", "second", "offset", "u", "expanded", "coverage", "readings", "agree"} <= set(
        pair
    )
    assert line["time_bases"] == {"main": "external", "spare": "internal"}
    assert line["claims"][0]["counter"] == "spare"
    assert line["text"] == list(now.sentences)
    assert line["own"] == []


def test_a_comparison_that_waits_is_null_and_says_for_what():
    """Before any reading of one time there is no number."""
    line = strict(
        json_line(ComparisonNow(counters=("main", "spare"), waits="waiting for spare"), Numbers())
    )

    assert line["agree"] is None
    assert line["pairs"] == []
    assert line["waits"] == "waiting for spare"


def test_a_comparison_for_people_is_one_line_of_its_sentences():
    """Both counters are named; no escape of a name gets through."""
    now = made_comparison(counters=("main", "sp\x1b[31mare"))

    line = PlainWriter()(now, Numbers())

    assert "main, sp?[31mare  comparison: main and spare agree" in line
    assert "\n" not in line
