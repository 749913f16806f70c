"""200 000 made lines for each parser of replies; prints the time a line."""

import os
import time

import pytest
from parser_kit import PARSERS, wrong_lines

LINES = 200_000


@pytest.mark.timeout(600)
@pytest.mark.parametrize("name", sorted(PARSERS))
def test_two_hundred_thousand_lines(name: str) -> None:
    """The parser returns the right value or refuses the line."""
    seed = int.from_bytes(os.urandom(4))
    began_s = time.process_time()

    wrong = wrong_lines(PARSERS[name], LINES, seed)

    took_s = time.process_time() - began_s
    print(f"\n{name}: {LINES} lines, {len(wrong)} wrong, {took_s / LINES * 1e6:.0f} us each")
    assert wrong[:5] == [], f"seed {seed}"
