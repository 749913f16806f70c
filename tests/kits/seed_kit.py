"""Seeds of made runs: the same in every usual run, random when BENCHWATCH_FRESH_SEEDS is set.

Quality is judged on runs that the code has not seen, but a check-in must not fail by chance. So the
usual run derives each seed from the names of the test and of its file, and nobody has chosen it.
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
