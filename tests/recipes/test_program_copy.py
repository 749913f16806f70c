"""The copy of the program that the recipes change: the copy runs, not the checkout."""

from pathlib import Path

from recipe_kit import ProgramCopy


def test_the_copy_runs_and_not_the_checkout(tmp_path: Path) -> None:
    """All three packages come from the folder of the copy."""
    copy = ProgramCopy(tmp_path)

    places = copy.python(
        "import benchwatch, benchwatch_drivers, benchwatch_simulators\n"
        "for package in (benchwatch, benchwatch_drivers, benchwatch_simulators):\n"
        "    print(package.__file__)\n"
    ).splitlines()

    assert len(places) == 3
    assert all(Path(place).is_relative_to(tmp_path) for place in places)


def test_an_added_and_edited_module_is_imported_and_counts_once(tmp_path: Path) -> None:
    """A module that was added and then edited is imported, and counts as one file."""
    copy = ProgramCopy(tmp_path)
    path = "benchwatch/tide_tables.py"

    copy.add(path, 'HIGH_WATER = "at noon"\n')
    copy.edit(path, "noon", "midnight")

    assert copy.python("from benchwatch.tide_tables import *; print(HIGH_WATER)") == "at midnight\n"
    assert copy.touched == {path}


def test_the_program_runs_as_a_command(tmp_path: Path) -> None:
    """`ProgramCopy.program` passes arguments, and returns output and exit code."""
    copy = ProgramCopy(tmp_path)

    version = copy.program("--version")
    unknown = copy.program("whistle")

    assert (version.returncode, version.stderr) == (0, "")
    assert version.stdout.startswith("benchwatch")
    assert unknown.returncode == 2
