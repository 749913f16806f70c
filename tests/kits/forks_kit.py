"""Commands run to their ends, each in a fork of one process that has imported what they need.

Importing takes most of the time of a short command. Each is still a process with a home folder of
its own, and none sees what another has done. As a program it takes the commands as JSON, and the
folder for their output.
"""

import importlib
import json
import os
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import NamedTuple

from load_kit import LONGEST_WAIT_S

PROGRAM = (sys.executable, str(Path(__file__)))


class Ended(NamedTuple):
    """What a command left."""

    returncode: int
    stdout: bytes
    stderr: bytes


def run_each(
    commands: Sequence[Sequence[str]], folder: Path, *program: str, **environ: str
) -> list[Ended]:
    """Run the commands in forks of `program`, one after another.

    Args:
        commands: words of each.
        folder: where their output and their homes are put.
        program: what calls `main_of_forks` with its arguments; none: this module.
        environ: environment variables.
    """
    done = subprocess.run(
        [*(program or PROGRAM), json.dumps(commands), str(folder)],
        capture_output=True,
        text=True,
        timeout=(2 + len(commands)) * LONGEST_WAIT_S,
        env=os.environ | environ,
    )
    assert done.returncode == 0, done.stderr
    return [
        Ended(int(code), *((folder / f"{number}.{name}").read_bytes() for name in ("out", "err")))
        for number, code in enumerate(done.stdout.split())
    ]


def main_of_forks(main: Callable[[], object], commands: str, folder: str) -> None:
    """Call `main` in a fork for each command, and print its exit code."""
    for number, words in enumerate(json.loads(commands)):
        if not words[0].startswith("-"):
            importlib.import_module(f"benchwatch.commands.{words[0]}")
        child = os.fork()
        if child == 0:
            for stream, name in ((1, "out"), (2, "err")):
                os.dup2(os.open(f"{folder}/{number}.{name}", os.O_WRONLY | os.O_CREAT), stream)
            os.environ["HOME"] = f"{folder}/{number}"
            sys.argv[1:] = words
            sys.exit(main())  # type: ignore[arg-type] # an exit code, or None
        print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)


if __name__ == "__main__":
    from benchwatch.cli import main

    main_of_forks(main, *sys.argv[1:])
