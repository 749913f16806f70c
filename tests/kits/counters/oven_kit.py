"""A made bench with one 10 MHz oven, 12.4 ppb high, and its control port."""

import re
import signal
import socket
import subprocess
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

from load_kit import LONGEST_WAIT_S

LANDING = 12.4e-9
"""Offset of the oven until the trimmer is turned, fractional."""


def oven_bench(
    about: str,
    *,
    settle: str = "1 ppb/10 s",
    white_fm: float = 2e-11,
    gate: str = "0.5 s",
    oven: str = "",
    trimmer: str = "",
) -> str:
    """Return the text of a bench file.

    Args:
        about: the description in the bench file.
        settle: the settle limit.
        white_fm: noise of the oven at 1 s.
        gate: of the counter.
        oven: more lines about the oven.
        trimmer: more lines about its trimmer.
    """
    return f"""
about = "{about}"
tolerance = "1 ppb"
settle = "{settle}"

[reference]
landing = "0 ppb"
white_fm = "1e-12"

[oscillators.main]
nominal = "10 MHz"
landing = "12.4 ppb"
white_fm = "{white_fm:g}"
{oven}

[oscillators.main.trimmer]
sensitivity = "50 ppb"
{trimmer}

[counters.main]
oscillator = "main"
gate = "{gate}"
resolution = "1e-11 s"
"""


@dataclass
class OvenBench:
    """A bench that is served by a process of its own, and its control port."""

    resource: str
    process: "subprocess.Popen[str]"
    control: socket.socket
    answers: TextIO

    def ask(self, line: str) -> str:
        """Send a line to the control port; return the answer, sent once it is carried out."""
        self.control.sendall(f"{line}\n".encode())
        return self.answers.readline().strip()


@contextmanager
def served(program: Sequence[str], text: str, folder: Path, *, seed: int) -> Iterator[OvenBench]:
    """Serve a bench by `program` (the words before its command-line arguments)."""
    file = folder / "oven.toml"
    file.write_text(text, encoding="utf-8")
    with subprocess.Popen(
        [*program, "simulate", str(file), "--seed", str(seed)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    ) as process:  # fmt: skip
        assert process.stdout is not None
        assert process.stderr is not None
        try:
            resource = process.stdout.readline().split()[1]
            narration = [process.stderr.readline() for _ in range(2)]
            port = re.search(r"control port (\d+)", narration[-1])
            assert port is not None, narration
            with (
                socket.create_connection(
                    ("127.0.0.1", int(port[1])), timeout=LONGEST_WAIT_S
                ) as control,
                control.makefile() as answers,
            ):
                yield OvenBench(resource, process, control, answers)
        finally:
            process.send_signal(signal.SIGINT)
            process.communicate()
