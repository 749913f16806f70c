"""Thousands of damaged recorded files: each gives numbers or an error sentence, never a crash.

python -m pytest tests/benchmarks/test_many_files.py -s
"""

import collections
import random
import secrets
from pathlib import Path

import pytest
from made_damage import good_journal, json_lines, mutated, mutated_journal, table
from recorded_kit import run_each

FILES = 1500
AT_ONCE = 100


@pytest.mark.parametrize("form", ["table", "lines", "journal"])
@pytest.mark.timeout(1800)
def test_files_changed_at_random(form: str, tmp_path: Path) -> None:
    """Each file is read by one of the commands, which ends with a known exit code."""
    seed = secrets.randbits(32)
    rng = random.Random(seed)
    good_journal(tmp_path / "good.db", 60)
    codes: collections.Counter[object] = collections.Counter()
    for start in range(0, FILES, AT_ONCE):
        commands = []
        for i in range(start, start + AT_ONCE):
            path = tmp_path / f"file{i % AT_ONCE}"
            if form == "journal":
                mutated_journal(rng, tmp_path / "good.db", path)
            else:
                make = table if form == "table" else json_lines
                path.write_bytes(mutated(rng, make(rng, 40)))
            command = rng.choice(["replay --json", "replay --plain", "stability", "budget"])
            commands.append([*command.split(), str(path)])
        for command, outcome in zip(commands, run_each(commands), strict=True):
            codes[outcome.code] += 1
            assert outcome.code in {0, 2, 4, 5}, (seed, command, outcome.narration)
            assert all(line.isprintable() for line in outcome.narration.splitlines()), (
                outcome.narration
            )

    print(f"\n{form}: {FILES} files, seed {seed}, exit codes {dict(codes)}")
