"""Tables as other programs write them: separators, decimals, quotation marks, headings, units.

Outside: the standard library's csv writes the tables; the numbers are those they were written from,
and the Modified Julian Date of 2031-05-04 is from Python's datetime (day 0 is 1858-11-17).
"""

import csv
import io
import math
from collections.abc import Iterator
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwatch.errors import BenchwatchError, FileError
from benchwatch.recording import Recording, read_recording
from benchwatch.recording.tables.dialect import Dialect, _unquoted
from benchwatch.recording.tables.headings import read_heading

TEN_MHZ = Decimal(10_000_000)
FREQUENCIES = ["10000000.0231", "9999999.9987", "10000000", "1.00000001e7"]
OFFSETS_HZ = [0.0231, -0.0013, 0.0, 0.1]


def write(folder: Path, text: str) -> str:
    """Write a table and return its path."""
    path = folder / "run.csv"
    path.write_text(text, encoding="utf-8")
    return str(path)


def read(folder: Path, text: str, **stated: object) -> Recording:
    """Read a table of a 10 MHz oscillator."""
    return read_recording(write(folder, text), nominal=TEN_MHZ, **stated)  # type: ignore[arg-type]


def table(separator: str, decimal: str, *, quote: int = csv.QUOTE_MINIMAL) -> str:
    """Write `FREQUENCIES` half a second apart, as a spreadsheet writes them."""
    file = io.StringIO()
    writer = csv.writer(file, delimiter=separator, quoting=quote)  # type: ignore[arg-type]
    writer.writerow(["time_s", "note", "frequency_hz"])
    for i, text in enumerate(FREQUENCIES):
        writer.writerow([f"{i / 2}".replace(".", decimal), "a", text.replace(".", decimal)])
    return file.getvalue()


@pytest.mark.parametrize("quote", [csv.QUOTE_MINIMAL, csv.QUOTE_ALL])
@pytest.mark.parametrize(
    ("separator", "decimal"),
    [(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ","), (" ", "."), (" ", ",")],
)
def test_separators_and_decimals_are_found(
    tmp_path: Path, separator: str, decimal: str, quote: int
) -> None:
    """The same numbers, however they are written, and one sentence that says how."""
    recording = read(tmp_path, table(separator, decimal, quote=quote))

    assert recording.time_s.tolist() == [0.0, 0.5, 1.0, 1.5]
    assert recording.offset_hz.tolist() == OFFSETS_HZ
    said = [note for note in recording.notes if "separated" in note]
    assert len(said) == (separator != ",")
    assert all(("decimal commas" in note) == (decimal == ",") for note in said)


def test_columns_lined_up_by_blanks_are_read(tmp_path: Path) -> None:
    """Any number of blanks and tabs stands between the cells, and before and after them."""
    text = (
        "# tide gauge\n"
        "  Time (s)    Freq (Hz)\n"
        "       0   10000000.0231\n"
        "       1\t 9999999.9987  \n"
        "\n"
        "      10  10000000.0000\n"
    )

    recording = read(tmp_path, text)

    assert recording.time_s.tolist() == [0.0, 1.0, 10.0]
    assert recording.offset_hz.tolist() == [0.0231, -0.0013, 0.0]


@pytest.mark.parametrize("separator", [",", ";", "\t", " "])
def test_date_and_time_of_day_in_two_columns_are_joined(tmp_path: Path, separator: str) -> None:
    """Also where a blank-separated table has one heading for both."""
    heading = ["time"] if separator == " " else ["Date", "Time"]
    rows = [[*heading, "frequency_hz"]]
    rows += [["2031-05-04", f"23:59:5{i}.500", f"10000000.{i}"] for i in (8, 9)]
    rows += [["2031/05/05", "00:00:00.500", "10000000.1"]]

    recording = read(tmp_path, "".join(separator.join(row) + "\n" for row in rows))

    assert recording.time_s.tolist() == [0.0, 1.0, 2.0]
    begin = datetime(2031, 5, 4, 23, 59, 58, 500_000, tzinfo=UTC)
    assert recording.utc_start_s == begin.timestamp()


@pytest.mark.parametrize("rows", [3, 30_000])
def test_lines_of_a_title_stand_above_the_headings(tmp_path: Path, rows: int) -> None:
    """As loggers write them; it is said where the headings were found."""
    title = "Log of the tide station\n\nStation: 7; gate: 1 s\n# a remark\nOperator,M\n"
    body = "".join(f"{i},1000000{i % 10}\n" for i in range(rows))

    recording = read(tmp_path, f"{title}Time (s),Freq (Hz)\n{body}")

    assert recording.time_s.tolist() == list(range(rows))
    assert recording.offset_hz.tolist()[:3] == [0.0, 1.0, 2.0]
    assert any("line 6: the headings; the lines above" in note for note in recording.notes)


HEADINGS = [
    ("Freq (MHz)", ["10.0000000231", "9.9999999987"], [2.31e-9, -1.3e-10]),
    ("Frequency [kHz]", ["10000.0000231", "9999.9999987"], [2.31e-9, -1.3e-10]),
    ("f/Hz", ["10000000.0231", "9999999.9987"], [2.31e-9, -1.3e-10]),
    ("MHz", ["10.0000000231", "9.9999999987"], [2.31e-9, -1.3e-10]),
    ("freq_mhz", ["10.0000000231", "9.9999999987"], [2.31e-9, -1.3e-10]),
    ("Offset (ppb)", ["2.31", "-0.13"], [2.31e-9, -1.3e-10]),
    ("Channel A (Hz)", ["10000000.0231", "9999999.9987"], [2.31e-9, -1.3e-10]),
    ("ppm", ["0.00231", "-0.00013"], [2.31e-9, -1.3e-10]),
    ("fractional frequency", ["2.31e-9", "-1.3e-10"], [2.31e-9, -1.3e-10]),
    ("df/f (1e-9)", ["2.31", "-0.13"], [2.31e-9, -1.3e-10]),
    ("frequency offset (x10^-12)", ["2310", "-130"], [2.31e-9, -1.3e-10]),
    ("Period (ns)", ["100", "100.000001"], [0.0, -9.9999999e-9]),
    ("time error, ns", ["0", "2.31"], [2.31e-9]),
    ("TIE (ps)", ["0", "2310"], [2.31e-9]),
    ("Phase (us)", ["0", "0.00231"], [2.31e-9]),
]


@pytest.mark.parametrize(("heading", "cells", "expected"), HEADINGS)
def test_headings_and_their_units_are_guessed_and_said(
    tmp_path: Path, heading: str, cells: list[str], expected: list[float]
) -> None:
    """Exactly: a unit only shifts the decimal point."""
    rows = "".join(f"{i};{cell}\n" for i, cell in enumerate(cells))

    recording = read(tmp_path, f"Elapsed (s);{heading}\n{rows}")

    np.testing.assert_allclose(recording.offset, expected, rtol=1e-8, atol=0)
    (note,) = [note for note in recording.notes if "separated by semicolons" in note]
    assert f"'{heading}'" in note
    assert "times from column 'Elapsed (s)' in s" in note


@pytest.mark.parametrize(
    ("heading", "cells", "seconds"),
    [
        ("time (ms)", ["0", "500", "1000"], [0.0, 0.5, 1.0]),
        ("minutes", ["0", "0.5", "1"], None),
        ("Time/min", ["0", "0.5", "1"], [0.0, 30.0, 60.0]),
        ("elapsed [h]", ["0", "0.1", "0.2"], [0.0, 360.0, 720.0]),
        ("timestamp", ["1935742830.5", "1935742831.5", "1935742832.5"], [0.0, 1.0, 2.0]),
        ("timestamp", ["2031-05-04 10:20:30", "2031-05-04 10:20:31", "2031-05-04T10:20:32"],
         [0.0, 1.0, 2.0]),
        ("time", ["5", "6", "7"], [5.0, 6.0, 7.0]),
    ],
)  # fmt: skip
def test_times_are_read_in_their_unit(
    tmp_path: Path, heading: str, cells: list[str], seconds: list[float] | None
) -> None:
    """Numbers in the unit that the heading names, else seconds; dates as dates."""
    rows = "".join(f"{cell},{i}e-9\n" for i, cell in enumerate(cells))
    text = f"{heading},offset\n{rows}"
    if seconds is None:
        seconds = [0.0, 30.0, 60.0]

    recording = read(tmp_path, text)

    assert recording.time_s.tolist() == seconds


def test_modified_julian_dates_give_utc(tmp_path: Path) -> None:
    """Day 0 is 1858-11-17."""
    day = (date(2031, 5, 4) - date(1858, 11, 17)).days

    recording = read(tmp_path, f"MJD  offset\n{day}.25  1e-9\n{day}.5  2e-9\n")

    assert recording.utc_start_s == datetime(2031, 5, 4, 6, tzinfo=UTC).timestamp()
    assert recording.time_s.tolist() == [0.0, 21600.0]


@pytest.mark.parametrize(
    ("date", "dated"),
    [("2031-05-04T10:20:30.5Z", True), ("2031-05-04 10:20:30.5", True), ("", False),
     ("04/05/2031", False), ("later", False)],
)  # fmt: skip
def test_seconds_with_dates_beside_them_are_dated(
    tmp_path: Path, date: str, *, dated: bool
) -> None:
    """As ``export`` writes them: the seconds are the times, and the first date dates them."""
    recording = read(tmp_path, f"time_s,time,offset\n100.25,{date},1e-9\n101.25,,2e-9\n")

    begin = datetime(2031, 5, 4, 10, 20, 30, 500_000, tzinfo=UTC).timestamp() - 100.25
    assert recording.utc_start_s == (begin if dated else None)
    assert recording.time_s.tolist() == [100.25, 101.25]


@pytest.mark.parametrize(
    "stated",
    [
        {"time_column": "Uhr", "value_column": "Zaehler", "column": "frequency_hz"},
        {"time_column": "2", "value_column": "3", "column": "frequency_hz"},
        {"time_column": "uhr", "value_column": "zaehler", "column": "frequency_hz"},
    ],
)
def test_columns_are_stated_by_heading_or_number(tmp_path: Path, stated: dict[str, str]) -> None:
    """Where no heading tells what the numbers are, --column does."""
    text = "Nr;Uhr;Zaehler\n1;0,5;10000000,0231\n2;1,5;9999999,9987\n"

    recording = read(tmp_path, text, **stated)

    assert recording.time_s.tolist() == [0.5, 1.5]
    assert recording.offset_hz.tolist() == [0.0231, -0.0013]


def test_columns_without_headings_are_stated_by_number(tmp_path: Path) -> None:
    """Two columns are times and numbers in this order, and it is said."""
    stated = read(
        tmp_path, "7 0 1e-9\n7 1 2e-9\n", time_column="2", value_column="3", column="offset"
    )
    guessed = read(tmp_path, "0 1e-9\n1 2e-9\n", column="offset")

    for recording in (stated, guessed):
        assert recording.time_s.tolist() == [0.0, 1.0]
        assert recording.offset.tolist() == [1e-9, 2e-9]
    assert any("times from column 1" in note for note in guessed.notes)


def test_the_times_of_a_file_can_be_left_out(tmp_path: Path) -> None:
    """With ``none`` for their column, and an interval."""
    text = "time,frequency_hz\n04/05/2031 10:20,10000000.1\n04/05/2031 10:20,10000000.2\n"

    recording = read(tmp_path, text, time_column="none", interval_s=10.0)

    assert recording.time_s.tolist() == [0.0, 10.0]
    assert recording.utc_start_s is None


@pytest.mark.parametrize(
    "text",
    [
        "Date;Freq (Hz)\n30.03.2024 23:59:59;{0}\n31.03.2024 00:00:00;{1}\n",
        "Date;Freq (Hz)\n30.03.2024 23:59:59,0;{0}\n31.03.2024 00:00:00,0;{1}\n",
        "Date;Freq (Hz)\n30.03.2024 23:59:59.0;{0}\n31.03.2024 00:00:00.0;{1}\n",
        "Date;Freq (Hz)\n30.3.2024 23:59:59;{0}\n31.3.2024 0:00:00;{1}\n",
        "Date;Time;Freq (Hz)\n30.03.2024;23:59:59;{0}\n31.03.2024;00:00:00;{1}\n",
        "Date;Time;Freq (Hz)\n30.03.2024;23:59:59,000;{0}\n31.03.2024;00:00:00,000;{1}\n",
        "Date Freq/Hz\n30.03.2024 23:59:59 {0}\n31.03.2024 0:00:00 {1}\n",
        "time\tfrequency_hz\n30.03.2024 23:59:59\t{0}\n31.03.2024 00:00:00\t{1}\n",
    ],
)
@pytest.mark.parametrize("decimal", [".", ","])
def test_dates_with_points_are_day_month_and_year(tmp_path: Path, text: str, decimal: str) -> None:
    """Common practice, no source; in one column or two, and that is said.

    Outside: Python's datetime gives the Unix seconds of 2024-03-30T23:59:59.
    """
    numbers = [number.replace(".", decimal) for number in ("10000000.0231", "9999999.9987")]

    recording = read(tmp_path, text.format(*numbers))

    assert recording.time_s.tolist() == [0.0, 1.0]
    assert recording.utc_start_s == datetime(2024, 3, 30, 23, 59, 59, tzinfo=UTC).timestamp()
    assert recording.offset_hz.tolist() == OFFSETS_HZ[:2]
    assert any("as dates, day.month.year" in note for note in recording.notes)


def test_columns_that_are_not_read_say_nothing_on_decimals(tmp_path: Path) -> None:
    """A version and a temperature are written otherwise than the frequencies."""
    text = "Version;Temp;Freq (Hz);When\n1.5;21.5;10000000,0231;1.2\n1.5;21.5;9999999,9987;1.3\n"

    recording = read(tmp_path, text, time_column="none", interval_s=1.0)

    assert recording.offset_hz.tolist() == OFFSETS_HZ[:2]


@pytest.mark.parametrize(
    ("text", "stated", "words"),
    [
        (
            "Date,Freq (Hz)\n04/05/2031 10:20:30,1e7\n",
            {},
            (
                "line 2: '04/05/2031.*the day and which.*"
                "2031-05-04T10:20:30.*--time-column none --interval 1s"
            ),
        ),
        (
            "Date;Freq (Hz)\n31.04.2031 10:20:30;1e7\n",
            {},
            "line 2: '31.04.2031.*no date as day.mon",
        ),
        ("Date;Freq (Hz)\n04.05.31 10:20:30;1e7\n", {}, "line 2: '04.05.31.*year in four digits"),
        (
            "Date;Freq (Hz)\n30/03/2024 22:00:00;1e7\n",
            {},
            "2: '30/03/2024.*year last, with strokes",
        ),
        (
            "Date;Freq (Hz)\n03-30-2024;1e7\n",
            {},
            "2: '03-30-2024'.*last, with hyphens.*time-column",
        ),
        ("Date;Freq (Hz)\n30/03/24;1e7\n", {}, "2: '30/03/24'.*the day and which the year"),
        ("Date;Freq (Hz)\n30/13/2024;1e7\n", {}, "2: '30/13/2024' has no month"),
        (
            "time_s;offset\n0;1,5e-9\n1;1.5e-9\n",
            {},
            "line 3: '1.5e-9' has a point, and numbers before it have decimal commas",
        ),
        ("Date,Freq (Hz)\n5/4/31,1e7\n", {}, "line 2: '5/4/31'.*the day and which"),
        ("Time,Freq (Hz)\n10:20:30,1e7\n", {}, "'10:20:30' in column 'Time' is a time of day"),
        (
            "time_s,frequency_hz\n0,5,10000000,0231\n",
            {},
            ("line 2: 4 cells where the first line has 2. If its decimals are commas.*semicolons"),
        ),
        (
            "10000000,0231\n10000000,0232\n",
            {"column": "frequency_hz", "interval_s": 1.0},
            "2 numbers in a line without a header.*--value-column 2.*decimal commas",
        ),
        ("a;b\n1;2\n", {}, "line 1.*no header that is known.*--value-column"),
        ("Time;Wert 1\n0;1e7\n", {}, "known.*: --value-column 'Wert 1' --column frequency_hz"),
        ("Station;7\nTag;Wert\n2031-05-04T00:00:00;1e7\n", {}, "line 2: 'Tag,Wert' is no.*"),
        ("Station;7\nTag;Wert\n0;1e7\n", {"value_column": "Wert"}, "line 2: say what the numbers"),
        (
            "t;Freq A (Hz);Freq B (Hz)\n0;1e7;1e7\n",
            {},
            (
                "'Freq A .Hz.' and 'Freq B .Hz.' may be the "
                "numbers.*--value-column 'Freq A .Hz.'.*--value-column 2"
            ),
        ),
        ("Date,UTC,offset\n2031-05-04T00:00:00,5,1e-9\n", {}, "may be the times.*--time-column 1"),
        (
            "t;x\n0;1\n",
            {"value_column": "x"},
            ("say what the numbers in column 'x' are, with --column and one of frequency_hz"),
        ),
        (
            "t;x\n0;1\n",
            {"value_column": "y", "column": "offset"},
            ("--value-column: there is no column 'y'; its headings are 't', 'x'"),
        ),
        ("t;x\n0;1\n", {"value_column": "9", "column": "offset"}, "there is no column '9'"),
        (
            "t;x;x\n0;1;1\n",
            {"value_column": "x", "column": "offset"},
            ("2 columns are named 'x'.*--value-column 2"),
        ),
        ("t;x\n0;1\n", {"value_column": "t", "column": "offset"}, "can't be both times and numb"),
        ("0;1\n1;2\n", {}, "has no header. Name the columns.*--time-column 1 --value-column 2"),
        ("t;Phase (deg)\n0;1\n", {}, "no header that is known"),
        ("t;offset (Hz)\n0;1\n", {}, "no header that is known"),
        ("t;Allan deviation (ppb)\n0;1\n", {}, "no header that is known"),
        ("t;offset\n0;1.000.000,5\n", {}, "line 2: '1.000.000,5'.*is no number"),
        ("t\toffset\n0\t1,000,000\n", {}, "line 2: '1,000,000'.*is no number"),
        ("time_s,offset\n0\t1e-9\n", {}, "line 2: 1 cell where.*separated by tabs"),
        ("time_s;offset\n0,1e-9\n", {}, "line 2: 1 cell where.*separated by commas"),
        ("time_s offset\n0 1 2\n", {}, "line 2: 3 cells where the first line has 2"),
        ('t;offset\n0;"1e-9\n', {}, "line 2: a quotation mark is never closed"),
    ],
)
def test_what_is_not_certain_is_refused_with_what_to_type(
    tmp_path: Path, text: str, stated: dict[str, object], words: str
) -> None:
    """Nothing is guessed where two readings of a file are possible."""
    with pytest.raises(FileError, match=words) as caught:
        read(tmp_path, text, **stated)

    assert str(caught.value).isprintable()
    assert str(caught.value).endswith(".")


def test_integers_leave_the_sign_of_the_decimals_open(tmp_path: Path) -> None:
    """The first number with decimals decides, however late it comes, and it is said."""
    whole = "".join(f"{i};10000000\n" for i in range(40_000))

    recording = read(tmp_path, f"t;Freq (Hz)\n{whole}40000,5;10000000,5\n")

    assert recording.time_s[-1] == 40000.5
    assert recording.offset_hz[-1] == 0.5
    assert any("decimal commas" in note for note in recording.notes)


def test_odd_lines_among_many_are_read_or_named(tmp_path: Path) -> None:
    """Comments, blanks, quotation marks, nan and over range, in the middle of plain lines."""
    rows = [f"{i};1000000{i % 10},5" for i in range(5000)]
    rows[100] = "# 100;1"
    rows[200] = ""
    rows[300] = '"300";"10000000,25"'
    rows[400] = "400;nan"
    rows[500] = "500;9,9E37"
    rows[600] = "  600 ; 10000000,75 "

    recording = read(tmp_path, "t;Freq (Hz)\n" + "\n".join(rows) + "\n")

    found = dict(zip(recording.time_s.tolist(), recording.offset_hz.tolist(), strict=True))
    assert len(found) == 5000 - 3
    assert (found[300.0], found[600.0]) == (0.25, 0.75)
    assert math.isnan(found[500.0])
    assert {100.0, 200.0, 400.0}.isdisjoint(found)


CELLS = st.one_of(
    st.decimals(-999, 999, places=4, allow_nan=False).map(lambda d: f"{d:f}"),
    st.integers(-99, 99).map(str),
    st.floats(-999, 999, allow_nan=False).map(repr),
)


@given(st.lists(CELLS, min_size=1, max_size=60), st.sampled_from([";", "\t", " "]), st.booleans())
def test_any_numbers_are_those_of_the_comma_table(
    tmp_path_factory: pytest.TempPathFactory, cells: list[str], separator: str, comma: bool
) -> None:
    """Property: separator and decimals change no bit."""
    folder = tmp_path_factory.mktemp("tables")
    plain = "time_s,offset\n" + "".join(f"{i},{cell}\n" for i, cell in enumerate(cells))
    other = plain.replace(",", separator)
    if comma:
        other = other.replace(".", ",")

    first, second = (read(folder, text) for text in (plain, other))

    np.testing.assert_array_equal(first.offset, second.offset)
    np.testing.assert_array_equal(first.time_s, second.time_s)


@given(st.lists(st.lists(st.text('ab";\n', max_size=4), min_size=2, max_size=2), max_size=6))
def test_quotation_marks_are_taken_off_only_around_whole_cells(rows: list[list[str]]) -> None:
    """Property: what is left splits into the cells that csv reads, or it is the text itself."""
    file = io.StringIO()
    csv.writer(file, delimiter=";", quoting=csv.QUOTE_ALL, lineterminator="\n").writerows(rows)
    text = file.getvalue()

    left = _unquoted(text.encode(), ";").decode()

    if left != text:
        assert [line.split(";") for line in left.splitlines()] == rows


@given(st.text(max_size=40))
def test_no_heading_breaks_the_guess(text: str) -> None:
    """Property: any text is a heading or none."""
    heading = read_heading(text)

    assert heading is None or heading.unit.parts >= 1


@pytest.mark.parametrize("kind", ["frequency_hz", "offset", "period_s", "phase_s"])
@pytest.mark.parametrize("cell", ["0e9999", "1e-9999", "0e-9999", "0.0e300", "-0"])
def test_powers_of_any_size_are_numbers_or_refused(tmp_path: Path, kind: str, cell: str) -> None:
    """A zero with a huge exponent, and what is closer to zero than any double."""
    text = f"time_s,{kind}\n0,{cell}\n1,{cell}\n2,{cell}\n"
    try:
        found = read(tmp_path, text).offset.tolist()
    except BenchwatchError as error:
        found = [0.0] * str(error).isprintable()

    assert set(map(abs, found)) <= {0.0, 1.0}


def hostile() -> Iterator[str]:
    """Yield tables with terminal escapes and markup in their headings and cells."""
    for text in ("\x1b[31mred", "[bold]x", "<b>x</b>", "\u202efdp", "x" * 5000):
        yield f"t;{text}\n0;1\n"
        yield f"{text};offset\n0;1\n"
        yield f"t;offset\n0;{text}\n"
        yield f"t offset\n0 {text}\n"


@pytest.mark.parametrize("text", list(hostile()))
def test_hostile_text_is_only_shown_escaped(tmp_path: Path, text: str) -> None:
    """A sentence of bounded length without control characters."""
    with pytest.raises(BenchwatchError) as caught:
        read(tmp_path, text)

    assert str(caught.value).isprintable()
    assert len(str(caught.value)) < 1000


def test_a_dialect_splits_as_it_reads_many() -> None:
    """Line by line and block by block give the same cells."""
    dialect = Dialect(";")
    dialect.decide(["1", "2,5"])
    numbers, dates = dialect.plain(b"1;2,5\n2;3.5\n")

    assert numbers == b"1,2.5\n2,3;5\n"
    assert dates == b"1,2.5\n2,3.5\n"
    with pytest.raises(FileError, match="has a point"):
        dialect.with_point("3.5", "run.csv, line 2")
