"""200 000 made lines against each profile; prints how long a line takes to judge."""

import os
import time

import pytest
from test_profile_lines import PROFILES, WRITERS, wrong_lines

LINES = 200_000


@pytest.mark.timeout(600)
@pytest.mark.parametrize("name", sorted(PROFILES))
def test_two_hundred_thousand_lines(name: str) -> None:
    """Only the right values or a refusal."""
    seed = int.from_bytes(os.urandom(4))
    began_s = time.process_time()

    wrong = wrong_lines(PROFILES[name], WRITERS[name], LINES, seed)

    took_s = time.process_time() - began_s
    print(f"\n{name}: {LINES} lines, {len(wrong)} wrong, {took_s / LINES * 1e6:.0f} us each")
    assert wrong[:5] == [], f"seed {seed}"
