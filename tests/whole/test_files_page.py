"""The examples of the page on files are files that the program reads as they stand."""

import re
import shlex
from pathlib import Path

import pytest
from recorded_kit import run_each

PAGE = Path(__file__).parents[2] / "docs" / "files.md"
EXAMPLE = re.compile(
    r"^```(?:csv|text)\n([^`]*)```\n\n(?:[^`]*\n\n)?```sh\nbenchwatch (.*)\n```", re.MULTILINE
)
SAID = re.compile(r"^```text\n(\w+\.csv: .*)\n```", re.MULTILINE)


def examples() -> list[tuple[str, list[str]]]:
    """Return each file of the page, and the words of the command that reads it."""
    found = EXAMPLE.findall(PAGE.read_text(encoding="utf-8"))
    return [(content, shlex.split(command)) for content, command in found]


def test_every_example_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By its own command, and without a question; what the page quotes is said word for word."""
    monkeypatch.chdir(tmp_path)
    commands = []
    for content, words in examples():
        (tmp_path / words[1]).write_text(content, encoding="utf-8")
        commands.append(words)

    outcomes = run_each(commands)

    assert len(commands) == PAGE.read_text(encoding="utf-8").count("```sh")
    for words, outcome in zip(commands, outcomes, strict=True):
        assert outcome.code == 0, (words, outcome.narration)
        assert "oadev" in outcome.out
    (said,) = SAID.findall(PAGE.read_text(encoding="utf-8"))
    narrated = {line for outcome in outcomes for line in outcome.narration.splitlines()}
    assert f"benchwatch: {said}" in narrated


def test_every_example_is_read_by_the_other_commands_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`replay` and `budget` take the same options."""
    monkeypatch.chdir(tmp_path)
    commands = []
    for content, (_, name, *options) in examples():
        (tmp_path / name).write_text(content, encoding="utf-8")
        commands.append(["replay", name, "--json", *options])
        commands.append(["budget", name, "--nominal", "10MHz", *options])

    outcomes = run_each(commands)

    for words, outcome in zip(commands, outcomes, strict=True):
        assert outcome.code == 0, (words, outcome.narration)
