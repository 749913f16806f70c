"""The contributor's guide names what there is: its layout, and every file that it mentions."""

import re
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]
GUIDE = (TOP / "DEVELOPERS.md").read_text(encoding="utf-8")
PACKAGES = ("benchwatch", "drivers/benchwatch_drivers", "simulators/benchwatch_simulators")
pytestmark = pytest.mark.skipif(
    not all((TOP / package).is_dir() for package in PACKAGES),
    reason="the guide is of the source, and the tests are run without it",
)
BLOCK = re.compile(r"^```text\n(.*?)^```", re.MULTILINE | re.DOTALL)
FILE = re.compile(r"`([\w./-]+(?:\.(?:py|toml|json|md)|/))`")


def layout() -> dict[str, set[str]]:
    """Return the names in the layout's block, each under the folder at the margin above it."""
    block = BLOCK.search(GUIDE)
    assert block is not None
    names: dict[str, set[str]] = {}
    folder = ""
    for row in block[1].splitlines():
        if not row.startswith(" "):
            folder = row.split()[0].rstrip("/")
            names[folder] = set()
        elif begins := re.match(r"  (?:\S+(?:/|\.py)\s+)+", f"{row} "):
            names[folder] |= {word.rstrip("/") for word in begins[0].split()}
    return names


@pytest.mark.parametrize("package", PACKAGES)
def test_the_layout_has_every_module_and_folder(package: str) -> None:
    """Each that lies in the package is in the layout; there is none in it that does not exist."""
    there = {
        path.name
        for path in (TOP / package).iterdir()
        if (path.suffix == ".py" or (path.is_dir() and any(path.glob("*.*"))))
        and not path.name.startswith("_")
    }
    told = layout()[package]

    assert told - there == set()
    if package == "benchwatch":
        assert there - told == set()


def test_every_file_that_the_guide_names_exists() -> None:
    """By its path from the top, from a package, or from a folder in one."""
    folders = [TOP, TOP / "tests", TOP / "tests/kits"]
    for package in PACKAGES:
        folders += [(TOP / package).parent, TOP / package]
        folders += [path for path in (TOP / package).rglob("*") if path.is_dir()]
    named = {name for name in FILE.findall(BLOCK.sub("", GUIDE)) if "NAME" not in name}

    assert len(named) > 40
    assert {name for name in named if not any((one / name).exists() for one in folders)} == set()
