"""Commands run in this process, and made runs of a journal for them to read."""

import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from line_schema_kit import held
from pipeline_kit import RUN, START_UTC_S

from benchwatch import cli
from benchwatch.journal.schema import JournalRun

HOUR_S = 3600.0


@dataclass(frozen=True)
class Done:
    """Exit code and output of a command."""

    code: int
    out: str
    err: str

    @property
    def lines(self) -> list[dict[str, object]]:
        """The lines of JSON on standard output."""
        return [held(json.loads(line)) for line in self.out.splitlines()]


Command = Callable[..., Done]


def command_in(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, folder: Path
) -> Command:
    """Return what runs a command in this process, with its data under `folder`."""
    monkeypatch.setenv("XDG_DATA_HOME", str(folder / "home"))

    def run_here(*words: str) -> Done:
        capsys.readouterr()
        code = cli.run(words)
        return Done(code, *capsys.readouterr())

    return run_here


def made_run(number: int, **changed: object) -> JournalRun:
    """Return a made run of a watch of its own, `number` hours after the first."""
    key = (1_900_000_000_000 + number) << 20
    made = replace(RUN, key=key, watch=key, started_utc_s=START_UTC_S + number * HOUR_S)
    return replace(made, **changed)  # type: ignore[arg-type]
