"""A journal that is read slowly while it is written: the reader blocks nothing.

Writer and check are the plain SQLite of Python. `PRAGMA wal_checkpoint(TRUNCATE)` succeeds only
when no reader uses an older state (https://www.sqlite.org/pragma.html#pragma_wal_checkpoint).
"""

import json
import sqlite3
import subprocess
from pathlib import Path

from made_damage import good_journal
from program_kit import COMMAND

READINGS = 12_000
"""More lines than a pipe holds, and more than one portion read from the file."""


def test_a_slow_reader_keeps_no_old_state_of_the_journal(tmp_path: Path) -> None:
    """While its lines are not consumed, the log is emptied, and more is written."""
    path = tmp_path / "journal.db"
    good_journal(path, READINGS)
    writer = sqlite3.connect(path, isolation_level=None)
    writer.execute("PRAGMA journal_mode = WAL")
    with subprocess.Popen(
        [*COMMAND, "replay", "--json", str(path)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    ) as child:  # fmt: skip
        assert child.stdout is not None
        first = child.stdout.readline()
        for number in range(READINGS + 2, READINGS + 52):
            writer.execute(
                "INSERT INTO readings VALUES (17, ?, ?, ?, 1.0, '10000000.0240', 1e-4, '')",
                (number, 2e9 + number, float(number)),
            )
        busy, _, _ = writer.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        child.stdout.close()
        child.kill()
    writer.close()

    assert json.loads(first)["kind"] == "reading"
    assert busy == 0
