"""Seeds of made runs: the same in every usual run, drawn anew when BENCHWATCH_FRESH_SEEDS is set.

Quality is judged on runs that the code has not seen, but a check-in must not fail by chance: the
usual run takes seeds that belong to the name of each test and of its file, and nobody chose them.
The folder of the file does not count.
"""

import itertools
import os
import secrets
import zlib
from collections import defaultdict

_turns: defaultdict[str, "itertools.count[int]"] = defaultdict(itertools.count)


def unseen_seed() -> int:
    """Return the next seed of the test that is running."""
    if os.environ.get("BENCHWATCH_FRESH_SEEDS"):
        return secrets.randbits(32)
    path, _, test = os.environ["PYTEST_CURRENT_TEST"].partition("::")
    test = f"tests/{path.rpartition('/')[2]}::{test}"
    return zlib.crc32(f"{test} {next(_turns[test])}".encode())
