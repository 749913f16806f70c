"""The recipe for a command, followed in a copy of the program."""

from pathlib import Path

from recipe_kit import ProgramCopy

COMMAND = '''"""``benchwatch beat``: how long one beat against the nominal lasts."""

import click

from benchwatch.commands.common.option_types import FRACTION, FREQUENCY
from benchwatch.commands.common.output import print_text
from benchwatch.estimate.derived_frequencies import beat_period_s


@click.command()
@click.argument("offset", type=FRACTION)
@click.option("--nominal", type=FREQUENCY, required=True, help="Frequency of the oscillator.")
def beat(offset: float, nominal: object) -> None:
    """Say how long one beat of an OFFSET lasts."""
    print_text(f"{beat_period_s(offset, float(nominal)):.4g} s")
'''
LIST_IMPORTED = """
import sys
from benchwatch.cli import run

run(["--help"])
print(*(name for name in sys.modules if name.startswith("benchwatch.commands.")))
"""


def test_a_command_is_a_module_and_a_row(tmp_path: Path) -> None:
    """It runs, refuses bad input, stands in the help and is completed by the shell."""
    copy = ProgramCopy(tmp_path)

    copy.add("benchwatch/commands/beat.py", COMMAND)
    copy.edit(
        "benchwatch/commands/__init__.py",
        "COMMANDS: Final = {\n",
        'COMMANDS: Final = {\n    "beat": "Say how long one beat lasts.",\n',
    )

    assert len(copy.touched) <= 2
    assert copy.program("beat", "1ppb", "--nominal", "5MHz").stdout == "200 s\n"
    assert copy.program("beat", "slow", "--nominal", "5MHz").returncode == 2
    assert "  beat       Say how long one beat lasts.\n" in copy.program("--help").stdout
    completed = copy.program(
        _BENCHWATCH_COMPLETE="bash_complete", COMP_WORDS="benchwatch be", COMP_CWORD="1"
    )
    assert completed.stdout.splitlines() == ["plain,bench", "plain,beat"][::-1]


def test_the_help_imports_no_command(tmp_path: Path) -> None:
    """The list of commands comes from the rows alone."""
    copy = ProgramCopy(tmp_path)

    said = copy.python(LIST_IMPORTED)

    assert "Commands:" in said
    assert said.splitlines()[-1] == ""
