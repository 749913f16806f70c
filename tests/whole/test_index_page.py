"""The page for a package index: every link leads somewhere there too."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]
PROGRAM = TOP / ".ci/index_page.py"
ADDRESS = "https://example.org/benchwatch/files/v1"


def run(*words: str) -> subprocess.CompletedProcess[str]:
    """Run the program with `words`."""
    return subprocess.run(
        [sys.executable, str(PROGRAM), *words], capture_output=True, text=True, encoding="utf-8"
    )


def test_every_relative_link_becomes_an_address_of_the_same_file() -> None:
    """Nothing else changes: with the address taken away again the page is the README."""
    readme = (TOP / "README.md").read_text(encoding="utf-8")

    page = run(ADDRESS).stdout

    assert page.replace(f"{ADDRESS}/", "") == readme
    links = re.findall(r"\]\(([^)\s]+)\)", page)
    assert {f"{ADDRESS}/DEVELOPERS.md", f"{ADDRESS}/docs/numbers.md"} <= set(links)
    assert all(link.startswith(("https://", "#")) for link in links)


def test_code_pictures_and_other_links(tmp_path: Path) -> None:
    """Code stays as it is, pictures follow, links within the page and addresses stay."""
    page = tmp_path / "page.md"
    page.write_text(
        "![a view](docs/a.svg) [`x` of y](docs/x.md#y) [up](#top) [far](https://example.org/)\n"
        "`[no](link)` ``[no `x`](link)``\n\n```sh\necho '[no](link)'\n```\n",
        encoding="utf-8",
    )

    assert run(f"{ADDRESS}/", str(page)).stdout == (
        f"![a view]({ADDRESS}/docs/a.svg) [`x` of y]({ADDRESS}/docs/x.md#y) [up](#top)"
        " [far](https://example.org/)\n"
        "`[no](link)` ``[no `x`](link)``\n\n```sh\necho '[no](link)'\n```\n"
    )


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "give the address"),
        (["docs"], "give the address"),
        ([ADDRESS, "no-such-page.md"], "no-such-page.md"),
        ([ADDRESS, "a", "b"], "no more than one file"),
    ],
)
def test_what_can_not_be_used_is_said_in_a_sentence(words: list[str], said: str) -> None:
    """No traceback, nothing on standard output, and a failure."""
    done = run(*words)

    assert done.returncode == 1
    assert done.stdout == ""
    assert said in done.stderr
    assert "Traceback" not in done.stderr


def test_a_link_out_of_the_folder_is_refused(tmp_path: Path) -> None:
    """It would lead nowhere on the index."""
    page = tmp_path / "page.md"
    page.write_text("[out](../x.md)\n", encoding="utf-8")

    assert "../x.md leads out of the folder" in run(ADDRESS, str(page)).stderr
