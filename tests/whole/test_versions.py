"""Declared versions: the lowest ones are those that are tested, and the program has one.

Outside source: PEP 440 and PEP 508, through the library `packaging`, that pytest brings.
"""

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version
from program_kit import run_program

CHECKOUT = Path(__file__).parents[2]
PROJECT: dict[str, Any] = tomllib.loads((CHECKOUT / "pyproject.toml").read_text("utf-8"))
TESTED = {
    canonicalize_name(line.partition("==")[0]): Version(line.partition("==")[2])
    for line in (CHECKOUT / ".ci" / "lowest-versions.txt").read_text("utf-8").splitlines()
    if "==" in line and not line.startswith("#")
}


def declared() -> list[Requirement]:
    """Return all that the program, its extras and its tests need."""
    texts = [
        *PROJECT["project"]["dependencies"],
        *(one for extra in PROJECT["project"]["optional-dependencies"].values() for one in extra),
        *PROJECT["dependency-groups"]["test"],
    ]
    return [Requirement(text) for text in texts]


@pytest.mark.parametrize("requirement", declared(), ids=str)
def test_the_lowest_version_is_declared_and_tested(requirement: Requirement) -> None:
    """It is the one with which `.ci/versions PYTHON lowest` runs the tests."""
    lowest = [Version(one.version) for one in requirement.specifier if one.operator == ">="]

    assert lowest == [TESTED[canonicalize_name(requirement.name)]]


@pytest.mark.parametrize("requirement", declared(), ids=str)
def test_no_version_is_pinned(requirement: Requirement) -> None:
    """A distribution has one version of each library, and it is rarely the newest."""
    assert not [one for one in requirement.specifier if one.operator in {"==", "==="}]


def test_the_version_is_that_of_the_metadata_and_of_the_changelog() -> None:
    """As somebody reads it who reports a problem."""
    version = PROJECT["project"]["version"]

    shown = run_program("--version")

    assert shown.stdout == f"benchwatch {version}\n"
    changes = (CHECKOUT / "CHANGELOG.md").read_text("utf-8")
    assert re.search(rf"^## {re.escape(version)}$", changes, re.MULTILINE)
