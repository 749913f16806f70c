"""The pages for people hang together: links lead somewhere, commands exist, pictures are true.

What a link may name of a heading is as the usual renderers of Markdown make it: lower case, without
punctuation, blanks as hyphens (common practice, no source).
"""

import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
import screen_kit
from doc_kit import README, TOP, page_text

from benchwatch.cli import cli

PAGES = sorted(
    path
    for path in (*TOP.glob("*.md"), *(TOP / "docs").rglob("*.md"), *TOP.glob("tests/*/*.md"))
    if path.is_file()
)
DOCS = sorted((TOP / "docs").glob("*.md"))
FENCED = re.compile(r"^```(\w*)\n(.*?)^```", re.MULTILINE | re.DOTALL)
LINK = re.compile(r"\[(?:[^\]\\]|\\.)*\]\(([^)\s]+)\)")


def prose(page: Path) -> str:
    """Return the text of `page` without its blocks of code."""
    return FENCED.sub("", page_text(page))


def anchors(page: Path) -> set[str]:
    """Return what a link may name behind ``#`` in `page`."""
    found: set[str] = set()
    for heading in re.findall(r"^#+ +(.+)$", prose(page), re.MULTILINE):
        name = re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-")
        number = sum(one == name or one.startswith(f"{name}-") for one in found)
        found.add(f"{name}-{number}" if name in found else name)
    return found


def commands(page: Path) -> Iterator[str]:
    """Yield each line of `page` that begins with the program's name in a block for a shell."""
    for language, text in FENCED.findall(page.read_text(encoding="utf-8")):
        if language == "sh":
            yield from (line for line in text.splitlines() if line.startswith("benchwatch "))


def named(page: Path) -> str:
    """Return the path of `page` from the top, for a test's name."""
    return page.relative_to(TOP).as_posix()


@pytest.mark.parametrize("page", PAGES, ids=named)
def test_each_link_leads_to_a_file_and_a_heading(page: Path) -> None:
    """Each relative link names a file of the repository, and its anchor a heading of that file."""
    broken = []
    for target in LINK.findall(prose(page)):
        if re.match(r"[a-z]+:", target):
            continue
        path, _, anchor = target.partition("#")
        file = (page.parent / path).resolve() if path else page
        if not file.exists() or (anchor and anchor not in anchors(file)):
            broken.append(target)

    assert broken == []


def test_the_readme_leads_to_every_page() -> None:
    """Each page in the folder of docs is linked from the README."""
    linked = set(LINK.findall(prose(README)))

    assert {named(page) for page in DOCS} - linked == set()


@pytest.mark.parametrize(
    ("page", "line"),
    [pytest.param(page, line, id=line) for page in (README, *DOCS) for line in commands(page)],
)
def test_each_command_can_be_typed_as_it_stands(page: Path, line: str) -> None:
    """The command exists, and has each of the options."""
    words = shlex.split(re.split(r" [>|] ", line)[0], comments=True)[1:]

    context: click.Context = click.Context(cli, info_name="benchwatch")
    command: click.Command = cli
    while isinstance(command, click.Group) and words and not words[0].startswith("-"):
        found = command.get_command(context, words[0])
        if found is None:
            assert command.invoke_without_command, f"{words[0]} is no command"
            break
        command, words = found, words[1:]
    options = {
        name
        for parameter in command.params
        for name in (*parameter.opts, *parameter.secondary_opts)
    } | {"--help", "-h"}

    assert [word for word in words if word.startswith("--") and word not in options] == []


def picture(page: Path) -> list[str]:
    """Return the rows of the picture of the screen that `page` shows."""
    text = page.read_text(encoding="utf-8")
    _, _, rest = text.partition("<!-- screen -->\n```text\n")
    shown, end, _ = rest.partition("```\n<!-- /screen -->")
    assert end, f"{page.name} shows no screen"
    return shown.splitlines()


@pytest.mark.parametrize(
    ("page", "width", "height"),
    [(README, 80, 24), (TOP / "docs/screen.md", 120, 36)],
    ids=["README", "screen"],
)
def test_the_picture_is_of_the_present_screen(page: Path, width: int, height: int) -> None:
    """Its size, its tabs and its keys are those that the trim has now."""
    rows = picture(page)
    tabs = screen_kit.kept(f"header_{width}x{height}").splitlines()[2]
    footer = screen_kit.kept(f"footer_{width}x{height}").split("-- trim\n")[1]
    keys = footer.split("\n-- ")[0].splitlines()

    assert page.read_text(encoding="utf-8").index("<!-- screen -->") < 2200, "too far down"
    assert len(rows) <= height
    assert max(map(len, rows)) <= width
    assert rows[1].split()[:-1] == tabs.split()[:-1]
    assert rows[-len(keys) :] == keys
