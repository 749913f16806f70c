"""Recorded files: every form is read exactly, and bad ones give a sentence with a place."""

import io
import json
import math
import sys
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwatch.errors import BenchwatchError, FileError, UsageError
from benchwatch.reading import INTERNAL_TIMEBASE, OVERRANGE, REPEAT, SPIKE, Gap, Mark, Reading
from benchwatch.recording import Recording, read_recording, read_recordings

TEN_MHZ = Decimal(10_000_000)


def write(folder: Path, content: str | bytes) -> str:
    """Write `content` to a file and return its path."""
    path = folder / "run.csv"
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return str(path)


def readings(recording: Recording) -> list[Reading]:
    """Return the readings of a recording, without the gaps."""
    return [event for event in recording.events() if isinstance(event, Reading)]


def gaps(recording: Recording) -> list[Gap]:
    """Return the gaps of a recording, without the readings."""
    return [event for event in recording.events() if isinstance(event, Gap)]


def test_frequencies_are_subtracted_before_they_become_floats(tmp_path: Path) -> None:
    """10000000.000000123 Hz is 1.23e-7 Hz high.

    A double of IEEE 754 has steps of 1.9e-9 at 1e7: float first would give 1.22934579849e-07.
    """
    path = write(tmp_path, "time_s,frequency_hz\n0,10000000.000000123\n1,9999999.5\n")

    recording = read_recording(path, nominal=TEN_MHZ)

    assert recording.offset_hz.tolist() == [1.23e-7, -0.5]
    assert recording.offset.tolist() == [1.23e-14, -5e-8]
    assert recording.text == ("10000000.000000123", "9999999.5")
    assert recording.resolution_hz == pytest.approx(1e-9)


@pytest.mark.parametrize(
    ("column", "cells", "expected"),
    [
        ("frequency_hz", ["10000000.024", "10000000.5"], [2.4e-9, 5e-8]),
        ("offset", ["2.4e-9", "5e-8"], [2.4e-9, 5e-8]),
        ("period_s", ["1e-7", "0.00000009999999"], [0.0, 1.0000001000000101e-7]),
        ("phase_s", ["0", "2.4e-9", "5.24e-8"], [2.4e-9, 5e-8]),
    ],
)
def test_each_column_becomes_the_same_fraction(
    tmp_path: Path, column: str, cells: list[str], expected: list[float]
) -> None:
    """The four kinds of columns express the same offsets (IEEE 1139-2008)."""
    rows = "".join(f"{i},{cell}\n" for i, cell in enumerate(cells))

    recording = read_recording(write(tmp_path, f"time_s,{column}\n{rows}"), nominal=TEN_MHZ)

    np.testing.assert_allclose(recording.offset, expected, rtol=1e-14, atol=1e-24)


def test_phase_readings_lie_between_their_rows(tmp_path: Path) -> None:
    """An offset from two time errors is dated at the middle between them."""
    path = write(tmp_path, "time_s,phase_s\n10,0\n12,2e-9\n14,6e-9\n")

    recording = read_recording(path)

    assert recording.time_s.tolist() == [11.0, 13.0]
    np.testing.assert_allclose(recording.offset, [1e-9, 2e-9], rtol=1e-14)
    assert math.isnan(readings(recording)[0].frequency_hz)


def test_a_large_time_error_loses_no_digits(tmp_path: Path) -> None:
    """Steps are taken exactly, so a clock an hour wrong shows the same offsets."""
    path = write(tmp_path, "time_s,phase_s\n0,3600.0000000000001\n1,3600.0000000000003\n")

    recording = read_recording(path)

    assert recording.offset.tolist() == [2e-13]


def test_dates_give_utc_and_seconds_since_the_first(tmp_path: Path) -> None:
    """ISO 8601 dates are read with their zone; the run begins at the first row."""
    path = write(
        tmp_path,
        "# tide gauge, 10 MHz oven\n"
        "time,frequency_hz\n"
        "2031-05-04T10:20:30.500Z,10000000.1\n"
        "2031-05-04T12:20:31.500+02:00,10000000.2\n",
    )

    events = readings(read_recording(path))

    moment = datetime(2031, 5, 4, 10, 20, 30, 500000, tzinfo=UTC).timestamp()
    assert [event.utc_s for event in events] == [moment, moment + 1]
    assert [event.elapsed_s for event in events] == [0.0, 1.0]


def test_unix_seconds_keep_their_fractions(tmp_path: Path) -> None:
    """Seconds since 1970 are subtracted exactly: steps of 0.1 s stay steps of 0.1 s."""
    rows = "".join(f"{1935742830 + i // 10}.{i % 10},1e-9\n" for i in range(30))

    recording = read_recording(write(tmp_path, "time_s,offset\n" + rows))

    np.testing.assert_array_equal(recording.time_s, [i / 10 for i in range(30)])
    assert recording.interval_s == 0.1
    assert recording.utc_start_s == 1935742830.0


def test_one_bare_column_is_read_with_given_meaning_and_interval(tmp_path: Path) -> None:
    """A single column needs only its meaning and its interval."""
    path = write(tmp_path, "10000000.1\n10000000.2\n10000000.3\n")

    recording = read_recording(path, column="frequency_hz", interval_s=0.5)

    assert recording.time_s.tolist() == [0.0, 0.5, 1.0]
    np.testing.assert_allclose(recording.offset_hz, [0.1, 0.2, 0.3], rtol=1e-15)


def test_a_header_without_times_takes_the_interval_given(tmp_path: Path) -> None:
    """Like a bare column."""
    path = write(tmp_path, "offset\n1e-9\n2e-9\n")

    recording = read_recording(path, interval_s=10.0)

    assert recording.time_s.tolist() == [0.0, 10.0]


def test_byte_order_mark_crlf_and_quotes_are_no_matter(tmp_path: Path) -> None:
    """As a spreadsheet adds to a CSV file."""
    plain = read_recording(write(tmp_path, "time_s,offset\n0,1e-9\n1,2e-9\n"))

    recording = read_recording(
        write(tmp_path, '\ufeff"time_s", "offset"\r\n"0","1e-9"\r\n\r\n1,2e-9\r\n')
    )

    assert recording.offset.tolist() == plain.offset.tolist()
    assert recording.time_s.tolist() == plain.time_s.tolist()


def test_a_missing_stretch_is_a_gap(tmp_path: Path) -> None:
    """A step of more than one and a half intervals is reported from gate edge to gate edge."""
    path = write(tmp_path, "time_s,offset\n0,1e-9\n1,1e-9\n2,1e-9\n9,1e-9\n10,1e-9\n")

    recording = read_recording(path)

    assert gaps(recording) == [
        Gap(
            counter="main",
            utc_s=pytest.approx(math.nan, nan_ok=True),
            elapsed_s=2.5,
            lasted_s=6.0,
            reason="the file has no rows for 6 s",
        )
    ]
    np.testing.assert_array_equal(recording.series(), [1e-9, 1e-9, 1e-9, math.nan, 1e-9, 1e-9])


@pytest.mark.parametrize("blank", ["", "nan", "NaN", "null"])
def test_blank_cells_are_gaps_that_name_their_lines(tmp_path: Path, blank: str) -> None:
    """Rows without a value, also first and last, are reported and never bridged."""
    path = write(
        tmp_path,
        f"time_s,offset\n0,{blank}\n1,1e-9\n2,{blank}\n3,{blank}\n4,1e-9\n5,1e-9\n6,{blank}\n",
    )

    recording = read_recording(path)

    assert [(gap.elapsed_s, gap.lasted_s, gap.reason) for gap in gaps(recording)] == [
        (-0.5, 1.0, "no value in line 2 of the file"),
        (1.5, 2.0, "no value in lines 4 to 5 of the file"),
        (5.5, 1.0, "no value in line 8 of the file"),
    ]
    assert np.isnan(recording.series()).tolist() == [True, False, True, False, False, True]


def test_a_gap_in_phase_breaks_the_offset_across_it(tmp_path: Path) -> None:
    """No offset is made of two time errors with a gap between them."""
    path = write(tmp_path, "time_s,phase_s\n0,0\n1,1e-9\n2,2e-9\n7,9e-6\n8,9.001e-6\n")

    recording = read_recording(path)

    np.testing.assert_allclose(
        recording.series(), [1e-9, 1e-9, math.nan, 1e-9], rtol=1e-9, equal_nan=True
    )


def test_over_range_is_a_reading_without_a_number(tmp_path: Path) -> None:
    """SCPI-99 7.2.1.4: 9.9E37 means over range; it is kept and enters no result."""
    path = write(tmp_path, "time_s,frequency_hz\n0,10000000.1\n1,9.9E+37\n2,10000000.2\n")

    events = readings(read_recording(path))

    assert [OVERRANGE in event.flags for event in events] == [False, True, False]
    assert math.isnan(events[1].offset)
    assert events[1].text == "9.9E+37"


@pytest.mark.parametrize("tail", ["2,10000000.", "2", "2,", "2,1000", '2,"100', "2,10000000.3x"])
def test_a_half_written_last_line_is_left_out_with_a_note(tmp_path: Path, tail: str) -> None:
    """A last line that has no ending and is shorter than the others may be cut."""
    path = write(tmp_path, f"time_s,frequency_hz\n0,10000000.1\n1,10000000.2\n{tail}")

    recording = read_recording(path)

    assert recording.text == ("10000000.1", "10000000.2")
    assert "line 4" in recording.notes[0]
    assert "half written" in recording.notes[0]


def test_a_whole_last_line_without_its_ending_is_kept(tmp_path: Path) -> None:
    """Many editors leave out the last line ending; a number of full length stays."""
    path = write(tmp_path, "time_s,frequency_hz\n0,10000000.1\n1,10000000.2")

    recording = read_recording(path)

    assert len(recording) == 2


def json_reading(at_s: float, high_hz: float, **more: object) -> str:
    """Write one reading as the JSON lines have it."""
    row = {
        "kind": "reading", "counter": "main", "time": f"2031-05-04T10:20:{at_s:06.3f}Z",
        "elapsed_s": at_s, "gate_s": 1.0, "frequency_hz": 1e7 + high_hz,
        "offset_hz": high_hz, "offset": high_hz / 1e7, "estimate": None, "drift": None,
        "nudge": None, "settle": None, "tolerance": None, "flags": [],
    }  # fmt: skip
    return json.dumps(row | more) + "\n"


def test_own_json_lines_are_read_back(tmp_path: Path) -> None:
    """Readings and gaps written with --json replay with the same times, gates and offsets."""
    gap = {
        "kind": "gap", "counter": "main", "time": "2031-05-04T10:20:02.5Z", "elapsed_s": 2.5,
        "lasted_s": 6.2, "reason": "no reply within 2.5 s",
    }  # fmt: skip
    lines = [
        json_reading(1.0, 1.23e-7),
        json_reading(2.0, 0.0231, flags=["internal-timebase", "spike"]),
        json.dumps(gap) + "\n",
        json_reading(9.2, 0.0232, flags=["repeat"]),
        '{"kind":"end","readings":3,"gaps":1,"reason":"count reached"}\n',
    ]

    recording = read_recording(write(tmp_path, "".join(lines)))
    events = list(recording.events())

    assert recording.nominal == TEN_MHZ
    assert recording.counter == "main"
    first, second, hole, third = events
    assert isinstance(first, Reading)
    assert (first.offset_hz, first.gate_s, first.elapsed_s) == (1.23e-7, 1.0, 1.0)
    assert first.utc_s == datetime(2031, 5, 4, 10, 20, 1, tzinfo=UTC).timestamp()
    assert isinstance(second, Reading)
    assert second.flags == {INTERNAL_TIMEBASE}  # the estimate decides again whether it is a spike
    assert recording.flags[1] == {INTERNAL_TIMEBASE, SPIKE}
    assert isinstance(hole, Gap)
    assert (hole.elapsed_s, hole.lasted_s, hole.reason) == (2.5, 6.2, "no reply within 2.5 s")
    assert isinstance(third, Reading)
    assert third.flags == {REPEAT}
    assert np.isnan(recording.series()).tolist() == [False, True, True, True]


def test_json_over_range_and_another_nominal(tmp_path: Path) -> None:
    """A null frequency flagged over range is kept; another nominal shifts offsets exactly."""
    nothing = {"frequency_hz": None, "offset_hz": None, "offset": None}
    over = json_reading(1.0, 0.5, flags=["overrange"], **nothing)
    path = write(tmp_path, json_reading(0.0, 1.23e-7) + over)

    recording = read_recording(path, nominal=Decimal(9_999_999))

    assert recording.offset_hz[0] == 1.000000123
    assert math.isnan(recording.offset_hz[1])


def test_the_counters_own_text_in_a_json_line_is_kept(tmp_path: Path) -> None:
    """Digits that a float of 10 MHz can't hold are restored from the text and the offset."""
    text = "10000000.000000123"
    path = write(tmp_path, json_reading(0.0, 1.23e-7, text=text) + json_reading(1.0, 0.5))

    recording = read_recording(path)

    assert recording.text == (text, "10000000.5")
    assert recording.offset_hz.tolist() == [1.23e-7, 0.5]
    assert recording.resolution_hz == pytest.approx(1e-9)


def test_json_lines_without_a_nominal_are_offsets(tmp_path: Path) -> None:
    """Lines of a run whose nominal was never known have only fractions."""
    unknown = {"frequency_hz": None, "offset_hz": None, "text": ""}
    lines = [json_reading(float(i), i * 0.01, **unknown) for i in range(3)]

    recording = read_recording(write(tmp_path, "".join(lines)))

    assert recording.kind == "offset"
    np.testing.assert_allclose(recording.offset, [0.0, 1e-9, 2e-9], rtol=1e-15)


def test_steps_across_recorded_gaps_do_not_count_as_interval(tmp_path: Path) -> None:
    """Two gaps among four readings: the interval is that of the one plain step."""
    gap = '{"kind":"gap","counter":"main","elapsed_s":0.5,"lasted_s":5.0,"reason":"x"}\n'
    lines = [json_reading(0.0, 0.1), gap, json_reading(6.0, 0.1), json_reading(7.0, 0.1), gap]

    recording = read_recording(write(tmp_path, "".join([*lines, json_reading(20.0, 0.1)])))

    assert recording.interval_s == 1.0


def test_marks_are_played_back_in_their_place(tmp_path: Path) -> None:
    """A mark of the operator is between the same readings as before."""
    mark = '{"kind":"mark","counter":"main","elapsed_s":0.4,"time":null,"text":"cover on"}\n'
    path = write(tmp_path, json_reading(0.0, 0.1) + mark + json_reading(1.0, 0.1))

    _, noted, _ = read_recording(path).events()

    assert isinstance(noted, Mark)
    assert (noted.elapsed_s, noted.text) == (0.4, "cover on")


def test_json_of_two_counters_is_two_recordings(tmp_path: Path) -> None:
    """Each counter has its own time line; reading one without its name is refused."""
    path = write(
        tmp_path,
        json_reading(0.0, 0.1) + json_reading(0.1, 0.2, counter="second") + json_reading(1.0, 0.1),
    )

    both = read_recordings(path)

    assert [(r.counter, len(r)) for r in both] == [("main", 2), ("second", 1)]
    assert len(read_recording(path, counter="second")) == 1
    with pytest.raises(UsageError, match="main, second"):
        read_recording(path)
    with pytest.raises(UsageError, match="no counter 'third'"):
        read_recording(path, counter="third")


def test_a_half_written_json_line_is_left_out_with_a_note(tmp_path: Path) -> None:
    """The last line of a run that lost power."""
    path = write(tmp_path, json_reading(0.0, 0.1) + json_reading(1.0, 0.1)[:90])

    recording = read_recording(path)

    assert len(recording) == 1
    assert "half written" in recording.notes[0]


def test_standard_input_is_read_as_a_file(monkeypatch: pytest.MonkeyPatch) -> None:
    """With - as the file."""
    piped = io.TextIOWrapper(io.BytesIO(b"time_s,offset\n0,1e-9\n1,2e-9\n"))
    monkeypatch.setattr(sys, "stdin", piped)

    recording = read_recording("-")

    assert recording.offset.tolist() == [1e-9, 2e-9]
    assert recording.source == "standard input"


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("", "is empty"),
        ("# nothing\n\n", "is empty"),
        ("time_s,offset\n", "only a header"),
        ("a,b\n1,2\n", "line 1.*no header that is known"),
        ("1,2\n3,4\n", "line 1.*Name the columns in a first line"),
        ("1e-9\n2e-9\n", "--column frequency_hz --interval 1s"),
        ("offset\n1e-9\n2e-9\n", "no times.*--interval 1s"),
        ("time_s,offset\n0,1e-9\n2,1e-9\n1,1e-9\n", "line 4.*does not advance"),
        ("time_s,offset\n0,1e-9\n0,1e-9\n", "line 3.*does not advance"),
        ("time_s,offset\n0,1e-9\n,1e-9\n", "line 3.*time is missing"),
        ("time_s,offset\n0,1e-9,7\n", "line 2: 3 cells where the first line has 2"),
        ("time_s,offset\n0,1,5e-9\n", "line 2: 3 cells.*with a point"),
        ("time_s,offset\n0;1.5e-9\n", "line 2: 1 cell where.*separated by semicolons"),
        ("time_s;offset\n0;1,5e-9\n1;1.5e-9\n", "line 3.*has a point.*decimal commas"),
        ("time_s\toffset\n0\t1.5e-9\n1\t1,5e-9\n", "line 3.*decimal comma.*decimal points"),
        ("time_s,offset\n0,1_000\n", "line 2.*'1_000' in column offset is no number"),
        ("time_s,offset\n0,10 MHz\n", "line 2.*no unit"),
        ("time_s,offset\n0,\n1,nan\n", "none of its 2 rows has a value"),
        (
            "time_s,frequency_hz\n0,nan\n1,inf\n2,inf\n",
            "none of its 3 rows has a frequency: 2 over the counter's range, 1 empty",
        ),
        ("time_s,offset\n0,1e-9\n1,1e400\n", "line 3: 1e400 in column offset is larger than"),
        ("time_s,frequency_hz\n0,1e400\n1,1e7\n", "line 2: 1e400 in column frequency_hz is larger"),
        (
            '{"kind":"reading","counter":"a","elapsed_s":1,"offset":-1e400}\n',
            r"line 1: -1E\+400 in column offset is larger than any reading",
        ),
        ("time_s,offset,offset\n0,1,2\n", "two columns are named offset"),
        ("time_s,offset\n0,1e-9\n1,\x1b[31mred\n", "line 3"),
        ("time,offset\nyesterday,1e-9\n", "line 2.*in column time is no ISO 8601"),
        ("time_s,offset\n0,1e-9\n1e400,1e-9\n", "line 3: a time of 1e"),
        ('time_s,offset\n"0,1e-9\n1,1e-9\n', "line 2.*quotation mark"),
        ("time_s,offset\n0,10000000.1\n1,10000000.2\n", "look like hertz; name the column freq"),
        ("time_s,period_s\n0,10000000.1\n1,10000000.2\n", "look like hertz; name the column freq"),
        ("time_s,phase_s\n0,10000000.1\n1,10000000.2\n", "look like hertz; name the column freq"),
        ("time_s,frequency_hz\n0,10.0000001\n1,10\n", "look like megahertz"),
        ("time_s,frequency_hz\n0,1e-9\n1,2e-9\n", "name the column offset or phase_s"),
        ("time_s,frequency_hz\n0,1e-7\n1,1e-7\n", "name the column period_s"),
        ("time_s,frequency_hz\n0,5000000\n1,5000000\n", "nowhere near the nominal 10 MHz"),
        ("time_s,period_s\n0,0.1\n1,0.1\n", "look like microseconds"),
        ("time_s,period_s\n0,1e-7\n1,1e-7\n2,0\n", "line 4: a period of 0 s"),
        ("time_s,phase_s\n0,1e-7\n", "two rows in succession"),
        (b"time_s,offset\n0,1e-9\n1,\xff\n", "line 3: byte 3 is not UTF-8"),
        (b"time_s,offset\n0,1e-9\n\0\0\0\n", "line 3.*binary bytes"),
        (b"\x1f\x8b\x08\0", "compressed data end too early"),
        (b"SQLite format 3\0", "database"),
        (b"\xff\xfet\0i\0", "UTF-16"),
        (b"time_s,offset\r0,1e-9\r", "bare carriage returns"),
        ("time_s,offset\n" + "9" * 20_000 + "\n", "line 2: longer than 10000 bytes"),
        ("{}\n{oops\n", "line 2.*no JSON object"),
        ('{"kind":"reading","counter":"main"}\n', "line 1.*no elapsed_s"),
        ('{"kind":"reading","counter":"main","elapsed_s":1}\n', "line 1.*no frequency_hz"),
        ('{"kind":"reading","elapsed_s":1,"frequency_hz":1e7}\n', "names no counter"),
        ('{"kind":"gap","counter":"main"}\n', "line 1.*the gap has no elapsed_s"),
        ('{"kind":"reading","counter":"a","elapsed_s":1e999,"frequency_hz":1}\n', "a time of 1e"),
        ('{"kind":"mark","counter":"main"}\n', "line 1.*the mark has no elapsed_s"),
        ('{"kind":"end"}\n', "holds no readings"),
        ('{"a":' + "[" * 9000 + "\n", "line 1.*no JSON object"),
    ],
)
def test_a_bad_file_gets_a_sentence(tmp_path: Path, content: str | bytes, words: str) -> None:
    """With mistake, place and remedy, on one line without control characters."""
    path = write(tmp_path, content)

    with pytest.raises(FileError, match=words) as caught:
        read_recording(path, nominal=TEN_MHZ)

    message = str(caught.value)
    assert "run.csv" in message
    assert message.endswith(".")
    assert message.isprintable()


def test_files_that_can_not_be_opened_get_a_sentence(tmp_path: Path) -> None:
    """A missing file, a folder and an impossible name have their own sentences."""
    for path in (str(tmp_path / "none.csv"), str(tmp_path), "a\0b"):
        with pytest.raises(FileError, match="can't be read"):
            read_recording(path)


def test_a_nominal_is_guessed_only_near_a_round_number(tmp_path: Path) -> None:
    """10 MHz is used with a note; 12345678 Hz needs a typed nominal."""
    near = read_recording(write(tmp_path, "time_s,frequency_hz\n0,10000000.1\n1,9999999.9\n"))

    assert near.nominal == TEN_MHZ
    assert "nominal taken as 10 MHz" in near.notes[0]
    with pytest.raises(UsageError, match="--nominal"):
        read_recording(write(tmp_path, "time_s,frequency_hz\n0,12345678\n1,12345678\n"))


def test_large_fractions_are_taken_with_a_note(tmp_path: Path) -> None:
    """The handbook's test suite has fractions near a half: they are read, with a note."""
    path = write(tmp_path, "time_s,offset\n0,0.5\n1,0.4\n")

    recording = read_recording(path)

    assert recording.offset.tolist() == [0.5, 0.4]
    assert "large for fractions" in recording.notes[0]


@given(data=st.binary(max_size=400))
def test_any_file_is_a_recording_or_a_sentence(
    tmp_path_factory: pytest.TempPathFactory, data: bytes
) -> None:
    """For any bytes."""
    path = tmp_path_factory.getbasetemp() / "junk.csv"
    path.write_bytes(data)

    try:
        outcome: object = read_recording(str(path), column="offset", interval_s=1.0)
    except BenchwatchError as error:
        outcome = error

    assert isinstance(outcome, Recording | BenchwatchError)


@given(
    rows=st.lists(
        st.sampled_from(["10000000.1", "", "nan", "9.9E37", "-1", "1e9999", "1e-9999", "0"]),
        min_size=1,
        max_size=12,
    ),
    kind=st.sampled_from(["frequency_hz", "offset", "period_s", "phase_s"]),
)
def test_every_value_is_played_back_or_reported(
    tmp_path_factory: pytest.TempPathFactory, rows: list[str], kind: str
) -> None:
    """Each row is a reading, or is in a reported gap."""
    path = tmp_path_factory.getbasetemp() / "odd.csv"
    path.write_text(f"time_s,{kind}\n" + "".join(f"{i},{row}\n" for i, row in enumerate(rows)))

    try:
        recording = read_recording(str(path), nominal=TEN_MHZ)
    except BenchwatchError:
        return

    for i, row in enumerate(rows):
        read = np.any(np.abs(recording.time_s - i) <= 0.5)
        holed = any(h.begin_s <= i <= h.begin_s + h.lasted_s for h in recording.gaps)
        assert read or holed, row


def test_gaps_of_own_lines_are_the_recorded_ones(tmp_path: Path) -> None:
    """A reading that came a little late is no gap; lines that were removed are one."""
    times = [0.02 * n for n in range(50)]
    times = [
        t + (0.015 if n >= 20 else 0.0) + (5.0 if n >= 40 else 0.0) for n, t in enumerate(times)
    ]
    lines = [
        f'{{"kind":"reading","counter":"main","time":null,"elapsed_s":{t:.3f},"gate_s":0.02,'
        f'"frequency_hz":10000000.5,"offset_hz":0.5,"offset":5e-8,"flags":[]}}\n'
        for t in times
    ]
    path = tmp_path / "run.jsonl"
    path.write_text("".join(lines))

    recording = read_recording(str(path), nominal=Decimal(10_000_000))

    assert [hole.before for hole in recording.gaps] == [40]


def test_json_readings_at_another_dial_setting_are_left_out(tmp_path: Path) -> None:
    """A line taken while the unit was dialled elsewhere is no reading of this nominal."""
    elsewhere = {"frequency_hz": 100000000.2, "offset": 2e-9, "text": "100000000.2"}
    path = write(
        tmp_path,
        json_reading(0.0, 0.0231)
        + json_reading(1.0, 0.2, flags=["other-dial"], dial_hz=1e8, **elsewhere)
        + json_reading(2.0, 0.0232),
    )

    recording = read_recording(path)

    assert len(recording) == 2
    assert max(abs(hertz) for hertz in recording.offset_hz) < 0.03
