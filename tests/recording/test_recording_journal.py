"""A journal is read like any other recording: same readings, same gaps, same numbers."""

import json
import sqlite3
import subprocess
from pathlib import Path

import pytest
from load_kit import wait_until
from program_kit import COMMAND, Watching

from benchwatch.errors import FileError
from benchwatch.recording import read_recording, read_recordings
from benchwatch_simulators.bench.simulated_bench import open_bench

pytestmark = pytest.mark.long


def watch(bench: str, journal: Path, *options: str) -> str:
    """Watch a simulated bench with the real command; return its JSON lines."""
    command = ["watch", "--sim", bench, "--seed", "5", "--json", "--journal", str(journal)]
    done = subprocess.run(
        [*COMMAND, *command, *options],
        capture_output=True, text=True, timeout=100, check=False,
    )  # fmt: skip
    assert done.returncode in {0, 4}, done.stderr  # 4: no reading came
    return done.stdout


@pytest.fixture(scope="module")
def watched(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Return a journal of two watches, the newer one of two counters with a gap, and its lines."""
    folder = tmp_path_factory.mktemp("watched")
    journal, lines = folder / "journal.db", folder / "lines.jsonl"
    watch("quiet", journal, "--count", "5")
    with open_bench("pair", seed=5) as bench:
        counters = [f"{name}={resource}" for name, resource in bench.resources.items()]
        nominal = ("--nominal", "five=5MHz")
        with Watching(*counters, journal=journal, options=nominal) as watching:
            for name in bench.resources:
                watching.wait_for_narration(f"{name}: reading ")
            # Again, if the watch got no processor for as long as the counter was mute.
            for _ in range(10):
                bench.fault("ten", "mute", 3.0)
                if wait_until(lambda: "ten: silent: " in watching.narration, 6.0):
                    break
            watching.wait_for_narration("ten: silent: ")
            watching.wait_for_narration("ten: reading ", times=2)
            watching.wait_for_more(4)
            watching.end()
    lines.write_text("".join(f"{json.dumps(line)}\n" for line in watching.lines))
    return journal, lines


def test_the_newest_watch_is_read_and_equals_its_lines(watched: tuple[Path, Path]) -> None:
    """Every reading as the counter wrote it, every gap, of both counters."""
    journal, lines = watched

    from_journal = {r.counter: r for r in read_recordings(str(journal))}
    from_lines = {r.counter: r for r in read_recordings(str(lines))}

    assert from_journal.keys() == from_lines.keys() == {"ten", "five"}
    for name, recording in from_journal.items():
        other = from_lines[name]
        assert recording.text == other.text
        assert recording.nominal == other.nominal
        assert recording.offset == pytest.approx(other.offset, rel=1e-12, abs=1e-16)
        assert recording.time_s == pytest.approx(other.time_s, abs=1e-5)
        assert [hole.before for hole in recording.gaps] == [h.before for h in other.gaps]
    assert from_journal["ten"].gaps


def test_a_watch_without_readings_hides_no_older_one(tmp_path: Path) -> None:
    """The newest watch with readings is read."""
    journal = tmp_path / "journal.db"
    watch("quiet", journal, "--count", "5")
    watch("quiet", journal, "--for", "1ms")

    assert len(read_recording(str(journal))) == 5


def test_a_database_of_another_program_is_refused(tmp_path: Path) -> None:
    """With a sentence, and without a change."""
    path = tmp_path / "other.db"
    other = sqlite3.connect(path)
    other.execute("CREATE TABLE tides (height REAL)")
    other.commit()
    other.close()
    before = path.read_bytes()

    with pytest.raises(FileError, match="not a journal"):
        read_recording(str(path))

    assert path.read_bytes() == before
