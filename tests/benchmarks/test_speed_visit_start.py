"""Time from the start of ``watch`` on a terminal to the large digits, by size of the register.

python -m pytest tests/benchmarks/test_speed_visit_start.py -s
"""

import statistics
import time
from contextlib import closing
from pathlib import Path

import pytest
from counter_kit import tiny_counter
from program_kit import COMMAND
from register_kit import UNITS, fill
from terminal_kit import Terminal

VISITS = 10_000
ROUNDS = 15
"""Starts with each register, in turns."""
DIGITS = ("██", "█▀█")
"""Part of the large digits."""


def first_digits_s(words: list[str], home: Path) -> float:
    """Return the real time until the large digits are on the screen."""
    for file in home.glob("journal.db*"):
        file.unlink()
    began_s = time.perf_counter()
    journal = ["--journal", str(home / "journal.db")]
    with closing(Terminal([*COMMAND, "watch", *words, *journal], home)) as terminal:
        terminal.wait_until(lambda rows: any(digit in row for row in rows[3:8] for digit in DIGITS))
        return time.perf_counter() - began_s


@pytest.mark.timeout(600)
@pytest.mark.parametrize("named", [True, False])
def test_the_first_digits_come_as_soon_with_a_full_register(tmp_path: Path, named: bool) -> None:
    """Print the medians without a register, with one of ten visits, and with one of 10 000."""
    homes = {"none": tmp_path / "none", "ten": tmp_path / "ten", "full": tmp_path / "full"}
    for home in homes.values():
        home.mkdir()
    fill(homes["ten"] / "register.db", 10)
    fill(homes["full"] / "register.db", VISITS)
    waits: dict[str, list[float]] = {name: [] for name in homes}
    with tiny_counter(0.01) as counter:
        unit = ["--unit", f"{UNITS - 1:04d}", "--new"] if named else []
        words = [counter.resource, "--nominal", "10MHz", "--view", "trim", *unit]
        for _ in range(ROUNDS):
            for name, home in homes.items():
                waits[name].append(first_digits_s(words, home))
                if name == "none":
                    (home / "register.db").unlink(missing_ok=True)
    none, ten, full = (statistics.median(waits[name]) for name in homes)
    print(
        f"\n{'--unit' if named else 'nameless'}: first digits without a register {none:.3f} s, "
        f"with ten visits {ten:.3f} s, with {VISITS} {full:.3f} s (ratio {full / none:.3f})"
    )

    assert full < 1.2 * none
