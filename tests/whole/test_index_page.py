"""The page for a package index: every link leads somewhere there too."""

import re
import subprocess
import sys
from pathlib import Path

import pytest
from doc_kit import README, TOP, page_text

PROGRAM = TOP / ".ci/index_page.py"
ADDRESS = "https://example.org/benchwatch/files/v1"


def run(*words: str) -> subprocess.CompletedProcess[str]:
    """Run the program with `words`."""
    return subprocess.run(
        [sys.executable, str(PROGRAM), *words], capture_output=True, text=True, encoding="utf-8"
    )


def test_every_relative_link_becomes_an_address_of_the_same_file(tmp_path: Path) -> None:
    """Nothing else changes: with the address taken away again the page is the README."""
    readme = tmp_path / "README.md"
    readme.write_text(page_text(README), encoding="utf-8")

    page = run(ADDRESS, str(readme)).stdout

    assert page.replace(f"{ADDRESS}/", "") == page_text(README)
    links = re.findall(r"\]\(([^)\s]+)\)", page)
    assert {f"{ADDRESS}/DEVELOPERS.md", f"{ADDRESS}/docs/numbers.md"} <= set(links)
    assert all(link.startswith(("https://", "#")) for link in links)


def test_a_released_readme_passes_the_tests_of_the_pages(tmp_path: Path) -> None:
    """It is in the source distribution, and its links are those of the checkout to these tests."""
    released = tmp_path / "README.md"
    released.write_text(run(ADDRESS).stdout, encoding="utf-8")

    assert page_text(released) == page_text(README)
    assert run(ADDRESS, str(released)).stdout == released.read_text(encoding="utf-8")


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
