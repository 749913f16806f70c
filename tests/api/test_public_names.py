"""The names that scripts import: all are there, documented, and loaded only when used."""

import inspect
import subprocess
import sys
from importlib.metadata import version

import pytest

import benchwatch

LIGHT = """
import sys
before = set(sys.modules)
import benchwatch
assert not {"numpy", "click", "textual", "pyvisa", "scipy"} & (set(sys.modules) - before)
for name in benchwatch.__all__:
    getattr(benchwatch, name)
screens = ("textual", "benchwatch.screen", "click")
loaded = {name for name in sys.modules if name.startswith(screens)}
assert not loaded, loaded
"""


@pytest.mark.parametrize("name", sorted(set(benchwatch.__all__) - {"__version__"}))
def test_each_name_is_there_and_documented(name: str) -> None:
    """It is a class or a function with a docstring, and `dir` lists it."""
    value = getattr(benchwatch, name)

    assert callable(value)
    assert inspect.getdoc(value)
    assert name in dir(benchwatch)


def test_the_version_is_that_of_the_distribution() -> None:
    """It is stated in one place."""
    assert benchwatch.__version__ == version("benchwatch")


def test_a_name_that_is_not_there_is_an_attribute_error() -> None:
    """As of any module."""
    with pytest.raises(AttributeError, match="no attribute 'offset_nowhere'"):
        benchwatch.offset_nowhere  # noqa: B018 - it raises


def test_the_import_is_light_and_never_loads_the_screen() -> None:
    """In a new interpreter: no library at first, and no screen or command line ever."""
    done = subprocess.run([sys.executable, "-c", LIGHT], capture_output=True, text=True)

    assert done.returncode == 0, done.stderr
