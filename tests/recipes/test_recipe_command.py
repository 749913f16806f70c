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
PRINT_TABLE = f"""
import sys

sys.path.append({str(Path(__file__).parents[1] / "kits")!r})
from doc_tables_program import commands_table

print(commands_table())
"""
LIST_IMPORTED = """
import sys
from benchwatch.cli import run

run(["--help"])
print(*(name for name in sys.modules if name.startswith("benchwatch.commands.")))
"""


def test_a_command_is_a_module_and_a_row(tmp_path: Path) -> None:
    """The command runs, refuses bad input, and is in completion, help and the docs' table."""
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
    assert "  beat        Say how long one beat lasts.\n" in copy.program("--help").stdout
    completed = copy.program(
        _BENCHWATCH_COMPLETE="bash_complete", COMP_WORDS="benchwatch be", COMP_CWORD="1"
    )
    assert completed.stdout.splitlines() == ["plain,beat", "plain,bench"]
    assert "| `beat OFFSET` | Say how long one beat lasts. |" in copy.python(PRINT_TABLE)


def test_the_help_imports_no_command(tmp_path: Path) -> None:
    """``--help`` lists the commands without importing their modules."""
    copy = ProgramCopy(tmp_path)

    output = copy.python(LIST_IMPORTED)

    assert "Commands:" in output
    assert output.splitlines()[-1] == ""
