"""The recipe for a unit of measure, followed in a copy of the program."""

from pathlib import Path

from recipe_kit import ProgramCopy

UNITS = "benchwatch/quantity/units.py"


def test_a_unit_of_offsets_is_one_row(tmp_path: Path) -> None:
    """The unit can be typed, is chosen for small offsets, and is in key `u` and the columns."""
    copy = ProgramCopy(tmp_path)

    copy.edit(
        UNITS,
        "    PPB,\n    PARTS_IN_1E12,\n)",
        "    PPB,\n    PARTS_IN_1E12,\n"
        '    OffsetUnit(name="parts in 10^15", size=1e-15, also=("pp15",)),\n)',
    )
    elsewhere = copy.program("elsewhere", "5pp15", "--nominal", "5MHz", "--at", "10MHz")
    table = tmp_path / "run.csv"
    table.write_text("time_s,offset_1e-15\n" + "".join(f"{k},{2 + k % 3}\n" for k in range(9)))
    keys = copy.python(
        "from benchwatch.screen.views.view_list import VIEWS\n"
        "print(*(key.help for key in VIEWS.keys if key.id == 'unit'))\n"
    )

    assert copy.touched == {UNITS}
    assert "+5.000 parts in 10^15" in elsewhere.stdout
    assert "parts in 10^15" in keys
    assert "offset_1e-15" in copy.program("stability", "--help").stdout
    assert copy.program("stability", str(table)).returncode == 0


def test_a_unit_of_time_is_one_row(tmp_path: Path) -> None:
    """The unit can be typed, and durations are written in it."""
    copy = ProgramCopy(tmp_path)

    copy.edit(
        UNITS,
        '    DurationUnit(name="week", seconds="604800", also=("weeks",)),\n',
        '    DurationUnit(name="fortnight", seconds="1209600", shown=True),\n'
        '    DurationUnit(name="week", seconds="604800", also=("weeks",)),\n',
    )
    output = copy.python(
        "from benchwatch.quantity import format_duration, parse_duration\n"
        "print(parse_duration('2 fortnight'), format_duration(2.5e6))\n"
    )

    assert copy.touched == {UNITS}
    assert output == "2419200.0 2 fortnight\n"
