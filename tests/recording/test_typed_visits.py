"""Tables of earlier visits that a person typed: what is read, and what is refused with its line."""

from datetime import datetime
from decimal import Decimal
from pathlib import Path

import pytest

from benchwatch.errors import FileError
from benchwatch.recording.typed_visits import read_typed_visits
from benchwatch.register.visit_import import TypedOffset, TypedVisit

NOW = datetime(2032, 6, 1).astimezone().timestamp()


def read(tmp_path: Path, text: str) -> list[TypedVisit]:
    """Read a table of visits of 0417, a 5 MHz oscillator, and of others without a nominal."""
    path = tmp_path / "earlier.csv"
    path.write_text(text, "utf-8")
    return read_typed_visits(str(path), {"0417": Decimal(5_000_000)}.get, NOW)


def test_units_in_the_names_of_columns(tmp_path: Path) -> None:
    """ppb, ppm and Hz in the names of columns are the same fractions."""
    rows = read(
        tmp_path,
        "unit,date,as_found_ppb,u_ppb,as_left_ppm,u\n0417,2031-05-04,37,0.5,0.0001,0.2ppb\n",
    )
    hertz = read(tmp_path, "unit,date,as_found_hz,u_mhz\n0417,2031-05-04,0.185,2.5\n")

    assert rows[0].as_found == TypedOffset(offset=37e-9, u=5e-10)
    assert rows[0].as_left == TypedOffset(offset=1e-10, u=2e-10)
    assert hertz[0].as_found == TypedOffset(offset=37e-9, u=5e-10)
    assert hertz[0].nominal_hz == 5_000_000


def test_units_in_the_cells(tmp_path: Path) -> None:
    """A cell has its own unit; comments and empty lines are passed over; a date is local noon."""
    rows = read(
        tmp_path,
        "# from the old book\n\nUnit;Date;As found;u;nominal;note\n"
        "0417;2031-05-04;-24,0mHz;;;lid was loose\n0418;2031-05-04T10:30;2.4ppb;0.1 ppb;10MHz;\n",
    )

    assert rows[0].as_found == TypedOffset(offset=-4.8e-9)
    assert rows[0].utc_s == datetime(2031, 5, 4, 12).astimezone().timestamp()
    assert rows[0].note == "lid was loose"
    assert rows[1].as_found == TypedOffset(offset=2.4e-9, u=1e-10)
    assert rows[1].utc_s == datetime(2031, 5, 4, 10, 30).astimezone().timestamp()
    assert rows[1].nominal_hz == 10_000_000


GOOD = "unit,date,as_found_ppb,u,as_left\n0417,2031-05-04,37,0.1ppb,0.2ppb\n"


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "holds no visits"),
        ("unit,date\n", "the column as_found or as_left is missing"),
        ("date,as_found\n", "the column unit is missing"),
        ("unit,date,as_found,colour\n", "the column 'colour' is not known"),
        ("unit,date,as_found,as_found_ppb\n", "as_found stands there twice"),
        (GOOD + "0417,4 May 2031,1,,\n", "line 3: '4 May 2031' is no date"),
        (GOOD + "0417,2131-05-04,1,,\n", "line 3: '2131-05-04' is no date of an earlier visit"),
        (GOOD + "0417,1831-05-04,1,,\n", "line 3: '1831-05-04' is no date of an earlier visit"),
        (GOOD + "0417,2031-05-04,1,,\n", "line 3: 0417 has a row of 2031-05-04 already, line 2"),
        (GOOD + "0417,2031-06-04,1 bananas,,\n", "line 3, column as_found: "),
        (
            GOOD + "0417,2031-06-04,1,,5\n",
            "line 3, column as_left: '5' is 5 of the whole frequency",
        ),
        (
            GOOD + "0417,2031-06-04,1,,5000ppm\n",
            "line 3, column as_left: '5000ppm' is no plausible",
        ),
        (GOOD + "0417,2031-06-04,1,-0.1ppb,\n", "line 3, column u_found: "),
        (GOOD + "0417,2031-06-04,,0.1ppb,1ppb\n", "line 3: there is a u_found without as_found"),
        (GOOD + "0417,2031-06-04,,,\n", "line 3: there is neither as found nor as left"),
        (GOOD + "0417,2031-06-04,1,,,,,\n", "line 3: 8 cells under 5 columns"),
        (GOOD + ",2031-06-04,1,,\n", "line 3: the ident of a unit is empty"),
        (GOOD + f"{'4' * 10_000},2031-06-04,1,,\n", "line 3"),
        (GOOD + "04\x1b[31m17,2031-06-04,1,,\n", "line 3"),
        (GOOD + "0\U0001f600,2031-06-04,1,,\n", "line 3: the ident"),
        ("unit,date,as_left,nominal\n0417,2031-06-04,1ppb,fast\n", "line 2, column nominal"),
        ("unit,date,as_left_hz\n0418,2031-06-04,1\n", "line 2, column as_left"),
    ],
)
def test_what_is_refused(tmp_path: Path, text: str, sentence: str) -> None:
    """Each error is a sentence with the line, without a character that controls the terminal."""
    with pytest.raises(FileError) as caught:
        read(tmp_path, text)

    assert sentence in str(caught.value)
    assert str(caught.value).isprintable()
    assert len(str(caught.value)) < 500
