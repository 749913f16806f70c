"""Errors are one tree, each with the exit code of the command line's contract."""

import pytest

from benchwatch import errors


def test_the_drawing_of_the_error_tree_is_complete() -> None:
    """Every error is in the module's drawing with its exit code."""
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
