"""What the docs show of scripts runs as it stands, and has the types that an editor shows."""

import json
import os
import re
import runpy
import subprocess
import sys
from pathlib import Path
from textwrap import indent
from typing import Any

import pytest
from api_kit import write_station_run, write_visit

import benchwatch
from benchwatch.journal import default_path

DOCS = Path(__file__).parents[2] / "docs"
BLOCK = re.compile(r"^```python\n(.*?)^```", re.MULTILINE | re.DOTALL)
PAGE = (DOCS / "python.md").read_text(encoding="utf-8")
BLOCKS = BLOCK.findall(PAGE)
README_BLOCKS = BLOCK.findall((DOCS.parent / "README.md").read_text(encoding="utf-8"))
EXAMPLES = DOCS / "examples"
SCRIPT = EXAMPLES / "oven_warm_up.py"

USER_SCRIPT = '''
"""A script as a user may write it."""

import sys

import benchwatch
from benchwatch import Recording, Snapshot


def worst(run: Recording) -> float:
    """Return the largest offset of a recording."""
    return float(abs(run.offset).max())


def watched(resource: str) -> list[float]:
    """Return the offsets of ten readings."""
    offsets: list[float] = []
    with benchwatch.watch(resource, nominal="10 MHz", count=10) as watch:
        for now in watch:
            snapshot: Snapshot = now
            if snapshot.reading is not None:
                offsets.append(snapshot.reading.offset)
    return offsets


run = benchwatch.read_file(sys.argv[1])
rows = benchwatch.deviations(run, taus=[1.0, "10 s"])
table = {row.tau_s: row.value for row in rows}
estimator = benchwatch.Estimator(10e6)
now = estimator.add("10000000.0231", 0.0)
offset: float | None = None if now.numbers.estimate is None else now.numbers.estimate.offset
version: str = benchwatch.__version__
print(worst(run), table, offset, version)
'''
WRONG_SCRIPT = """
import benchwatch

run: str = benchwatch.read_file("station.csv")
benchwatch.Estimator("10 MHz").add("10000000.0231")
benchwatch.watch(sim="fast", pace=3)
benchwatch.no_such_name
"""


@pytest.fixture(autouse=True)
def _home(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Work in a folder of the test's own, with its data folder."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "home"))
    monkeypatch.chdir(tmp_path)


def test_there_are_examples_of_everything() -> None:
    """Each public function and class is named on the page."""
    assert len(BLOCKS) >= 8
    functions = [name for name in benchwatch.__all__ if name[0].islower()]
    assert [name for name in functions if name not in PAGE] == []


@pytest.mark.parametrize("number", range(len(BLOCKS)))
def test_each_example_of_the_page_runs(number: int, tmp_path: Path) -> None:
    """In an interpreter of its own state, beside a recorded run and a visit."""
    write_station_run(tmp_path)
    write_visit(default_path())
    exec(
        compile(BLOCKS[number], f"python.md, example {number + 1}", "exec"), {"__name__": "example"}
    )


@pytest.fixture(scope="module")
def strict_mypy(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Return what checks a script with ``mypy --strict`` against the installed program."""
    pytest.importorskip("mypy")
    folder = tmp_path_factory.mktemp("typed")
    package = Path(benchwatch.__file__).parents[1]
    # An editable installation is found by a hook of Python, which a type checker does not run.
    found = {} if package.name == "site-packages" else {"MYPYPATH": str(package)}

    def check(code: str) -> str:
        path = folder / "script.py"
        path.write_text(code)
        words = ["--strict", "--follow-imports", "silent", "--cache-dir", str(folder / "cache")]
        done = subprocess.run(
            [sys.executable, "-m", "mypy", *words, str(path)],
            cwd=folder, capture_output=True, text=True, env=os.environ | found,
        )  # fmt: skip
        return done.stdout

    return check


@pytest.mark.long
def test_scripts_are_typed_strictly(strict_mypy: Any) -> None:
    """A user's script passes, and so do all examples; mistakes in one are found (PEP 561).

    Those of the page and of the README.
    """
    assert README_BLOCKS
    assert strict_mypy(USER_SCRIPT).startswith("Success")
    examples = [
        f"def example_{number}() -> None:\n" + indent(block, "    ")
        for number, block in enumerate([*BLOCKS, *README_BLOCKS])
    ]
    assert strict_mypy("\n".join(examples)).startswith("Success")
    found = strict_mypy(WRONG_SCRIPT)

    assert 'has type "Recording", variable has type "str"' in found
    assert 'Missing positional argument "elapsed_s"' in found
    assert 'Unexpected keyword argument "pace"' in found
    assert 'has no attribute "no_such_name"' in found


def test_the_notebook_is_that_of_the_script() -> None:
    """As ``python docs/examples/write_notebook.py`` writes it; it has the keys of the format."""
    writer = runpy.run_path(str(EXAMPLES / "write_notebook.py"))
    for example in writer["EXAMPLES"]:
        script = example.read_text(encoding="utf-8")
        text = example.with_suffix(".ipynb").read_text(encoding="utf-8")
        notebook = json.loads(text)

        assert text == writer["notebook_text"](script)
        assert (notebook["nbformat"], notebook["nbformat_minor"]) == (4, 5)
        assert len({cell["id"] for cell in notebook["cells"]}) == len(notebook["cells"])


def test_the_notebook_fits_the_format() -> None:
    """By the schema of the general-purpose library `nbformat` 5."""
    nbformat = pytest.importorskip("nbformat")
    nbformat.validate(nbformat.read(SCRIPT.with_suffix(".ipynb"), as_version=4))


@pytest.mark.long
def test_the_cells_of_the_notebook_run_in_their_order(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """From the simulated counter to the exported table, in a shorter time."""
    monkeypatch.setattr(sys, "argv", ["oven_warm_up.py"])
    notebook = json.loads(SCRIPT.with_suffix(".ipynb").read_text(encoding="utf-8"))
    names: dict[str, Any] = {"__name__": "__main__"}
    for cell in notebook["cells"]:
        if cell["cell_type"] == "code":
            code = "".join(cell["source"]).replace('"30 s"', '"12 s"')
            exec(compile(code, cell["id"], "exec"), names)
    shown = capsys.readouterr().out

    assert "readings" in shown
    assert "oadev at" in shown
    assert Path(names["table"]).read_text().startswith("# counter main; nominal 10000000 Hz")
