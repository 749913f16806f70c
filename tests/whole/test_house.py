"""The house: rooms below the screen never load it, and errors are one tree."""

import pkgutil
import subprocess
import sys

import pytest

import benchwatch
from benchwatch import errors

FRONT_ENDS = ("screen", "web", "lines", "report", "cli", "commands")


def rooms() -> list[str]:
    """List every module of floors 1 to 4."""
    found = [module.name for module in pkgutil.walk_packages(benchwatch.__path__, "benchwatch.")]
    return [name for name in found if name.split(".")[1] not in FRONT_ENDS]


def test_rooms_below_the_screen_load_neither_textual_nor_visa_nor_scipy() -> None:
    """One fresh interpreter imports floors 1 to 4; what is heavy waits until it is needed."""
    heavy = ("textual", "pyvisa", "scipy", "matplotlib")
    script = (
        "import importlib, sys\n"
        f"for room in {rooms()!r}:\n"
        "    importlib.import_module(room)\n"
        f"    loaded = [name for name in {heavy!r} if name in sys.modules]\n"
        "    assert not loaded, f'{room} loads {loaded}'\n"
    )

    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)

    assert done.returncode == 0, done.stderr


def test_the_tree_of_errors_is_drawn_as_it_is() -> None:
    """Every error stands in the module's drawing with its exit code."""
    drawn = {name: int(code) for name, code in _drawing_lines(errors.__doc__ or "")}
    tree = {cls.__name__: cls.exit_code for cls in _family(errors.BenchwatchError)}

    assert drawn == tree


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (errors.QuantityError, 2),
        (errors.ConnectionFailed, 3),
        (errors.LinkLost, 4),
        (errors.NoReadings, 4),
        (errors.FileError, 5),
    ],
)
def test_exit_codes_are_those_of_the_contract(
    error: type[errors.BenchwatchError], code: int
) -> None:
    """2 usage, 3 no connection, 4 lost connection or no readings, 5 bad file."""
    assert error.exit_code == code


def _family(cls: type[errors.BenchwatchError]) -> set[type[errors.BenchwatchError]]:
    return {cls}.union(*(_family(child) for child in cls.__subclasses__()))


def _drawing_lines(drawing: str) -> list[list[str]]:
    """Return [name, exit code] of each line of the tree."""
    lines = []
    for line in drawing.splitlines():
        words = line.replace("│", " ").replace("├──", " ").replace("└──", " ").split()
        if len(words) >= 2 and words[1].isdigit():
            lines.append(words[:2])
    return lines
