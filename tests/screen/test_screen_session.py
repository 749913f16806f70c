"""A trim of the simulated oscillator in a real terminal, by the words on the screen."""

import os
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from program_kit import COMMAND
from terminal_kit import Terminal

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")

BENCH = """
about = "an oscillator that is warm already and runs fast"
tolerance = "2 ppb"

[reference]
landing = "0 ppb"
white_fm = "1e-12"

[oscillators.main]
nominal = "10 MHz"
landing = "13.2 ppb"
white_fm = "2e-11"
flicker_fm = "5e-12"

[oscillators.main.trimmer]
sensitivity = "50 ppb"
backlash_turns = 0.006
creep = 0.04
creep_time = "0.5 s"
tool_pull = "6 ppb"

[counters.main]
oscillator = "main"
gate = "0.1 s"
resolution = "1e-11 s"
"""
LEFT, RIGHT, UP, DOWN = b"\x1b[D", b"\x1b[C", b"\x1b[A", b"\x1b[B"
WAIT_READINGS = 6


@pytest.fixture
def terminal(tmp_path: Path) -> Iterator[Terminal]:
    """Open a watch on that bench in a terminal of 80x24."""
    bench = tmp_path / "warm.toml"
    bench.write_text(BENCH, encoding="utf-8")
    command = [*COMMAND, "watch", "--sim", str(bench), "--no-journal"]
    command += ["--seed", "20310504"]
    opened = Terminal(command, tmp_path)
    yield opened
    opened.close()


def _direction(rows: list[str]) -> str:
    """Return the direction on the screen once the estimate has a few readings, else ""."""
    for row in rows:
        match = re.search(r"(high|low|inside).* from (\d+) readings", row)
        if match and int(match[2]) >= WAIT_READINGS:
            return match[1]
    return ""


def test_the_screen_leads_to_the_tolerance(terminal: Terminal):
    """Read the words, press a key, wait for the estimate, repeat: inside within 40 keys."""
    said, coarse, keys = "", True, []
    while (said := _direction(terminal.wait_until(_direction, 30.0))) != "inside":
        assert len(keys) < 40, f"still {said} after {keys}"
        coarse = coarse and (not keys or said == "high")
        keys.append(
            (DOWN if said == "high" else UP) if coarse else LEFT if said == "high" else RIGHT
        )
        terminal.type(keys[-1])
        terminal.wait_until(lambda rows: not _direction(rows), 30.0)
    terminal.type(b"q")

    assert terminal.end() == 0
    assert DOWN in keys
