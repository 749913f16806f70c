"""The reader of configuration files: accepted values, and the sentence for each mistake."""

import pytest

from benchwatch.config_tables import (
    DURATION,
    SWITCH,
    ConfigKey,
    ConfigTable,
    list_of,
    number,
    one_of,
    parse_toml,
    read_tables,
    text,
    whole_number,
)
from benchwatch.errors import QuantityError, UsageError

GAUGE = ConfigTable(
    entries={
        "depth": ConfigKey(
            kind=number("a number from 0 up", lambda value: value >= 0),
            example="2.5",
            explanation="metres",
            required=True,
        ),
        "period": ConfigKey(kind=DURATION, example='"6 min"', explanation="", field="period_s"),
    }
)
STATION = ConfigTable(
    entries={
        "name": ConfigKey(kind=text(), example='"north pier"', explanation="", default="pier"),
        "sea": ConfigKey(kind=one_of("open", "closed"), example='"open"', explanation=""),
        "floods": ConfigKey(kind=SWITCH, example="true", explanation=""),
        "channel": ConfigKey(kind=whole_number(1, 9), example="3", explanation=""),
        "visits": ConfigKey(kind=list_of(text(), "names"), example='["a"]', explanation=""),
        "mast": GAUGE,
        "gauges": ConfigTable(entries=GAUGE.entries, repeated="named"),
        "marks": ConfigTable(entries=GAUGE.entries, repeated="array", required=True),
    }
)
MARK = "\n[[marks]]\ndepth = 1\n"


def read(toml: str) -> dict[str, object]:
    """Read the text of a file called station.toml."""
    return read_tables(parse_toml(toml, "no TOML"), STATION, "station.toml")


def test_values_are_returned_by_name_in_tables_lists_and_dictionaries() -> None:
    """A field may have another name than its key; a missing key has its default."""
    values = read(
        'sea = "open"\n[gauges.a]\ndepth = 2\nperiod = "6 min"\n[gauges.b]\ndepth = 3' + MARK
    )

    assert values == {
        "name": "pier",
        "sea": "open",
        "gauges": {"a": {"depth": 2.0, "period_s": 360.0}, "b": {"depth": 3.0}},
        "marks": [{"depth": 1.0}],
    }


@pytest.mark.parametrize(
    ("toml", "said"),
    [
        ("nam = 'a'", "unknown key 'nam'; did you mean 'name'? Known: name, sea, floods, channel,"),
        ("depth = 1", "unknown key 'depth'; it belongs in [mast]. Known:"),
        ("[gauges.a]\ndeph = 1", "gauges.a: unknown key 'deph'; did you mean 'depth'?"),
        ("[[marks]]\nx = 1", "marks 1: unknown key 'x'. Known: depth, period."),
        ("sea = 'opn'", 'sea: expected one of "open", "closed" (did you mean "open"?); found'),
        ("floods = 1", "floods: expected true or false; found 1. Write it like floods = true."),
        ("channel = '1'", "channel: expected a whole number from 1 to 9, without quotes; found"),
        ("channel = 10", "channel: expected a whole number from 1 to 9"),
        ("channel = true", "found true"),
        ("visits = []", "visits: expected a list of names; found []."),
        ("visits = [1]", "visits: expected one line of plain text in quotes"),
        ("name = 2031-05-04", 'found "2031-05-04"'),
        ("[mast]\ndepth = -1", "mast.depth: expected a number from 0 up, without quotes; found"),
        ("[mast]\ndepth = 1\nperiod = 6", "mast.period: expected a duration in quotes"),
        ("[mast]", 'mast: the key "depth" is missing and needed; write depth = 2.5.'),
        ("", "the table [[marks]] is missing and needed; write [[marks]] on a line of its own"),
        ("marks = []", "the table [[marks]] is missing and needed"),
        ("mast = 1", "mast must be a table, written [mast]."),
        ("gauges = 1", "gauges must be a table, written [gauges.NAME]."),
        ("[gauges]\na = 1", "gauges.a must be a table, written [gauges.a]."),
        ("[gauges.'a b']", "gauges.a b: a name is letters, digits, - and _, 32 at most, such as"),
        ("[marks]\ndepth = 1", "marks must be tables, each written [[marks]]."),
    ],
)  # fmt: skip
def test_a_mistake_is_one_sentence_with_file_key_and_value(toml: str, said: str) -> None:
    """For every kind of mistake."""
    with pytest.raises(UsageError) as caught:
        read(toml if "marks" in toml or not toml else toml + MARK)

    assert str(caught.value).startswith("station.toml: ")
    assert said in str(caught.value)


def test_a_quantity_that_cant_be_read_stays_an_error_of_quantities() -> None:
    """The error is a `QuantityError`, whose sentence quotes the value."""
    with pytest.raises(QuantityError, match=r"mast.period: '6 m': is m minutes .* like period = "):
        read("[mast]\ndepth = 1\nperiod = '6 m'" + MARK)


def test_misspelt_keys_are_reported_before_wrong_values_and_missing_keys() -> None:
    """Over the whole file, not table by table."""
    with pytest.raises(UsageError, match="unknown key 'perod'"):
        read("sea = 7\n[mast]\n[gauges.a]\nperod = 1")
    with pytest.raises(UsageError, match="sea: expected"):
        read("sea = 7\n[mast]")
