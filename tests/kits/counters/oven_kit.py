"""A made bench of 10 MHz ovens, 12.4 ppb high, with a counter on each, and its control port."""

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
    names: Sequence[str] = ("main",),
    landing: float = LANDING,
) -> str:
    """Return the text of a bench file.

    Args:
        about: the description in the bench file.
        settle: the settle limit.
        white_fm: noise of the oven at 1 s.
        gate: of the counter.
        oven: more lines about the oven.
        trimmer: more lines about its trimmer.
        names: of the ovens and their counters.
        landing: offset of each oven until its trimmer is turned, fractional.
    """
    ovens = [
        f"""
[oscillators.{name}]
nominal = "10 MHz"
landing = "{landing * 1e9:.6f} ppb"
white_fm = "{white_fm:g}"
{oven}

[oscillators.{name}.trimmer]
sensitivity = "50 ppb"
{trimmer}

[counters.{name}]
oscillator = "{name}"
gate = "{gate}"
resolution = "1e-11 s"
"""
        for name in names
    ]
    return f"""
about = "{about}"
tolerance = "1 ppb"
settle = "{settle}"

[reference]
landing = "0 ppb"
white_fm = "1e-12"
{"".join(ovens)}"""


@dataclass
class OvenBench:
    """A bench that is served by a process of its own, and its control port."""

    resources: dict[str, str]
    """By name of the counter."""
    process: "subprocess.Popen[str]"
    control: socket.socket
    answers: TextIO

    @property
    def resource(self) -> str:
        """The resource of the first counter."""
        return next(iter(self.resources.values()))

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
            resources = dict(
                process.stdout.readline().split() for _ in range(text.count("[counters."))
            )
            narration = [process.stderr.readline() for _ in range(2)]
            port = re.search(r"control port (\d+)", narration[-1])
            assert port is not None, narration
            with (
                socket.create_connection(
                    ("127.0.0.1", int(port[1])), timeout=LONGEST_WAIT_S
                ) as control,
                control.makefile() as answers,
            ):
                yield OvenBench(resources, process, control, answers)
        finally:
            process.send_signal(signal.SIGINT)
            process.communicate()
