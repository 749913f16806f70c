"""One journal used at once by a long watch, short ones, readers, killed watches and archiving.

Run with ``python -m pytest tests/benchmarks/test_soak_journal.py -s``; it takes some minutes.
"""

import itertools
import random
import secrets
import signal
import time
from pathlib import Path

import pytest
from counter_kit import tiny_counter
from journal_kit import ask, check_sound, kept
from program_kit import Watching, run_program

GATE_S = 0.01
SHORT = 10
READERS = (
    ("replay", "JOURNAL", "--json"),
    ("budget", "JOURNAL"),
    ("stability", "JOURNAL"),
    ("doctor",),
    ("journal", "--journal", "JOURNAL", "--json"),
    ("journal", "archive", "ARCHIVE", "--older-than", "20s", "--journal", "JOURNAL"),
)


@pytest.mark.timeout(1800)
def test_ten_short_watches_and_every_reader_beside_a_long_one(tmp_path: Path) -> None:
    """Each reading that any watch showed is in the journal or its archive, once."""
    began_s, seed = time.monotonic(), secrets.randbits(32)
    chance = random.Random(seed)
    path = tmp_path / "benchwatch" / "journal.db"
    archive = tmp_path / "archive.db"
    path.parent.mkdir()
    names = {"JOURNAL": str(path), "ARCHIVE": str(archive)}
    home = {"XDG_DATA_HOME": str(tmp_path)}
    readers = itertools.cycle(READERS)
    shown: list[float] = []
    killed = codes = 0
    with tiny_counter(GATE_S) as counter, Watching(counter.resource, journal=path) as long:
        long.wait_for_lines(10)
        for number in range(SHORT):
            kill = number % 3 == 2
            options = () if kill else ("--count", str(chance.randrange(5, 40)))
            with Watching(counter.resource, journal=path, options=options) as short:
                for reader in itertools.islice(readers, 2):
                    done = run_program(*(names.get(word, word) for word in reader), **home)
                    assert "Traceback" not in done.stderr, done.stderr
                    codes += done.returncode == 0
                short.wait_for_lines(chance.randrange(2, 5))
                short.end(signal.SIGKILL if kill else 0)
            killed += kill
            shown += short.shown
            check_sound(path)
            long.wait_for_more(5)
        code = long.end(signal.SIGINT)
        assert code == 130, long.narration
        shown += long.shown
    check_sound(path)
    found = [*kept(path), *(kept(archive) if archive.exists() else [])]
    runs = ask(path, "SELECT count(*) FROM runs")[0][0]
    print(f"\nseed {seed}; {time.monotonic() - began_s:.0f} s; {SHORT} short watches, {killed} of "
          f"them killed; {codes} of {2 * SHORT} readers ended with 0")  # fmt: skip
    print(
        f"{len(shown)} readings shown, {len(set(shown) - set(found))} of them not found; "
        f"{len(found)} kept, {len(found) - len(set(found))} twice; {runs} runs in the journal"
    )
    assert set(shown) <= set(found)
    assert len(found) == len(set(found))
