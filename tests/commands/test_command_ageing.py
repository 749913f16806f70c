"""``benchwatch ageing``: from a file of visits to the date at which an oscillator is due."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from benchwatch.commands.ageing import ageing
from benchwatch.errors import BenchwatchError, FileError, NoReadings, UsageError
from benchwatch.recording.visit_table import read_visits

# The public series of tests/estimate/ageing/test_ageing.py as visits; day 0 is 2030-12-31.
SERIES = """# station oscillator
date,offset
2031-01-02,2ppb
2031-01-04,3.5 ppb
2031-01-07,4.65e-9
2031-01-08,0.00505ppm
2031-01-12,6.11ppb
2031-01-09,5.22ppb
2031-01-13,6.19ppb
2031-01-25,7.26ppb
2031-02-01,7.92ppb
"""


@pytest.fixture
def series(tmp_path: Path) -> str:
    """Write the series to a file."""
    path = tmp_path / "visits.csv"
    path.write_text(SERIES)
    return str(path)


def run(*arguments: str) -> str:
    """Run the command and return what it prints."""
    result = CliRunner().invoke(ageing, list(arguments), catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.stdout


def test_lines_for_programs(series: str) -> None:
    """The law, the forecast and the due date, with A·ln 10 of the published series."""
    lines = [
        json.loads(line)
        for line in run(
            series, "--since", "2030-12-31", "--tolerance", "12ppb", "--json"
        ).splitlines()
    ]

    law, other, *outlook, due = lines
    assert (law["law"], law["chosen"], other["law"]) == ("logarithmic", True, "linear")
    assert law["per_decade"] == pytest.approx(2.13268948e-9 * 2.302585, rel=2e-4)
    assert outlook[0]["date"] == "2031-02-01"
    assert all(row["low"] < row["offset"] < row["high"] for row in outlook)
    assert "2031-02-01" < due["earliest"] < due["date"] == "2031-07-31"
    # From a month of visits it is not certain that it leaves the tolerance within five years.
    assert due["latest"] is None


def test_table_for_people(series: str) -> None:
    """The better law with its evidence, the forecast, and a sentence about the due date."""
    text = run(series, "--since", "2030-12-31", "--tolerance", "12ppb", "--ahead", "5y")

    assert "logarithmic ageing from 9 visits: +4.91 ± 0.13 ppb per decade" in text
    assert "clearly better" in text
    assert "Leaves ±12 ppb on 2031-07-31; earliest 2031-04-" in text
    assert "latest not in that time." in text


@pytest.mark.parametrize(
    "rows",
    [
        "2031-01-02,2ppb\n2031-01-04,3.5 ppb\n",
        "offset_ppb,date\n2,2031-01-02\n3.5,2031-01-04\n",
        "date,offset_1e-12\n2031-01-02,2000\n2031-01-04,3500\n",
    ],
)
def test_rows_without_a_header_and_offsets_in_the_unit_of_their_column(
    tmp_path: Path, rows: str
) -> None:
    """The documentation's row is a valid file; a column may name its unit."""
    path = tmp_path / "visits.csv"
    path.write_text(rows)

    assert read_visits(str(path)).offsets == pytest.approx((2e-9, 3.5e-9), rel=1e-12)


def test_never_due(series: str) -> None:
    """A tolerance that is kept over the horizon is reported so, and null in JSON."""
    text = run(series, "--tolerance", "500ppb")
    last = json.loads(run(series, "--tolerance", "500ppb", "--json").splitlines()[-1])

    assert "Stays within ±500 ppb" in text
    assert last["date"] is last["earliest"] is last["latest"] is None


def test_two_visits(tmp_path: Path) -> None:
    """Two visits give a line; scatter and range are reported as unknown."""
    path = tmp_path / "visits.csv"
    path.write_text("date,offset\n2031-01-01,1ppb\n2032-01-01,2ppb\n")

    text = run(str(path), "--tolerance", "3ppb")

    assert "unknown" in text
    assert "no range can be given" in text


def test_visits_in_the_order_of_time(series: str) -> None:
    """Rows may be in any order and fractions in any notation."""
    visits = read_visits(series)

    assert list(visits.utc_s) == sorted(visits.utc_s)
    assert visits.offsets[3:6] == pytest.approx([5.05e-9, 5.22e-9, 6.11e-9])


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "no dated offsets"),
        ("date,offset\n", "no dated offsets"),
        ("day,value\n1,2\n", "line 1.*expected are the columns date and offset"),
        ("date,offset\n2031-05-04\n", "line 2.*a date and an offset are expected"),
        ("date,offset\n4 May,1ppb\n", "line 2.*no date; write it as 2031-05-04"),
        ("date,offset\n9999-12-31,1ppb\n", "line 2: '9999-12-31' is no date of a visit"),
        ("date,offset\n0001-01-01,1ppb\n", "line 2.*the years 1900 to 2999 are"),
        ("date,offset\n2031-05-04,10000000.02\n", "line 2.*a unit is probably missing"),
        ("date,offset\n2031-05-04,\x1b[31mred\n", r"line 2, column offset: '\?\[31mred'"),
    ],
)
def test_bad_files(tmp_path: Path, text: str, expected: str) -> None:
    """A bad file is refused with its line, the expectation and no raw escapes."""
    path = tmp_path / "visits.csv"
    path.write_text(text)

    with pytest.raises(FileError, match=expected):
        read_visits(str(path))


@pytest.mark.parametrize(
    ("arguments", "error"),
    [
        (("--since", "2031-05-01"), UsageError),
        (("--since", "long ago"), FileError),
        (("--coverage", "2"), UsageError),
        (("--tolerance", "0"), UsageError),
    ],
)
def test_bad_options(series: str, arguments: tuple[str, ...], error: type[BenchwatchError]) -> None:
    """Impossible options give a sentence."""
    with pytest.raises(error):
        run(series, *arguments)


def test_one_visit(tmp_path: Path) -> None:
    """One visit shows no ageing."""
    path = tmp_path / "visits.csv"
    path.write_text("date,offset\n2031-01-01,1ppb\n")

    with pytest.raises(NoReadings, match="two different times"):
        run(str(path))


def test_few_visits_show_both_laws(tmp_path: Path) -> None:
    """Four visits: both laws and the unknown beginning in the table, and an option to type."""
    path = tmp_path / "visits.csv"
    path.write_text(
        "date,offset\n2030-01-01,1ppb\n2030-07-01,1.3ppb\n2031-01-01,1.9ppb\n2032-01-02,3ppb\n"
    )

    result = CliRunner().invoke(ageing, [str(path)], catch_exceptions=False)
    known = CliRunner().invoke(ageing, [str(path), "--since", "2029-01-01", "--json"])

    assert "can't be told apart yet, that takes 6 visits at least" in result.stdout
    assert "linear  logarithmic  from 30 d earlier  from 365 d earlier" in result.stdout
    assert "Type --since DATE" in result.stderr
    laws = [json.loads(text) for text in known.stdout.splitlines()][:2]
    assert [law["told_apart"] for law in laws] == [False, False]
    assert "--since" not in known.stderr


def test_visits_with_extreme_dates(tmp_path: Path) -> None:
    """Dates up to the latest valid one give a table, however far ahead the forecast is."""
    path = tmp_path / "visits.csv"
    path.write_text("date,offset\n1900-01-01,1ppb\n2999-12-30,2ppb\n2999-12-31,3ppb\n")

    assert "2999-12-31" in run(str(path), "--ahead", "99y", "--tolerance", "5ppb")
