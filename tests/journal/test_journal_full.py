"""A full disk: readings that are not on it are counted, and found again afterwards.

All is tested from outside: real processes, a memory disk of 160 kB, and plain SQLite.
"""

import re
import resource
import signal
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest
from counter_kit import tiny_counter
from disk_kit import tiny_disk
from journal_kit import gaps_in, kept
from program_kit import Watching

GATE_S = 0.01


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Set data and state folders on a disk with room, where readings can be left."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    return tmp_path / "data"


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """Make a disk that is full after a few dozen readings."""
    with tiny_disk(tmp_path / "disk") as folder:
        yield folder


def test_after_a_kill_on_a_full_disk_the_lines_show_which_readings_are_kept(home, disk):
    """Lines with ``not_on_disk`` 0 are in the file; the last line counts all others."""
    path = disk / "journal.db"
    with tiny_counter(GATE_S) as counter, Watching(counter.resource, journal=path) as watch:
        watch.wait_for_narration("disk is full")
        watch.wait_for_more(30)
        watch.end(signal.SIGKILL)
    lines = [line for line in watch.lines if line["kind"] == "reading"]
    found = set(kept(path))

    sure = {line["frequency_hz"] for line in lines if line["not_on_disk"] == 0}
    missing = [value for value in watch.shown if value not in found]
    assert sure
    assert sure <= found
    assert len(missing) >= 30
    assert lines[-1]["not_on_disk"] == len(missing)


@pytest.mark.parametrize("end", [signal.SIGTERM, None])
def test_at_the_end_the_rest_is_in_a_file_that_the_sentence_names(home, disk, end):
    """After SIGTERM or the count, the journal and the other file have every line."""
    path = disk / "journal.db"
    options = ("--count", "120") if end is None else ()
    with (
        tiny_counter(GATE_S) as counter,
        Watching(counter.resource, journal=path, options=options) as watch,
    ):
        watch.wait_for_narration("disk is full")
        if end is not None:
            watch.wait_for_more(30)
        code = watch.end(end or 0)

    there = re.search(
        r": (\d+) readings and notes are not in it, but in (\S+\.db)\.", watch.narration
    )
    assert code == (5 if end is None else 130), watch.narration
    assert there is not None, watch.narration
    assert Path(there[2]).is_relative_to(home)
    left = kept(Path(there[2]))
    assert len(left) + gaps_in(Path(there[2])) == int(there[1])
    assert sorted([*kept(path), *left]) == sorted({*watch.shown, *left})


def test_where_no_file_can_be_written_the_number_of_lost_readings_is_reported(home, tmp_path):
    """The kernel lets no file grow; each doubling of the number is reported."""
    path = tmp_path / "journal.db"
    with tiny_counter(GATE_S) as counter, Watching(counter.resource, journal=path) as watch:
        watch.wait_for_lines(10)
        resource.prlimit(watch.process.pid, resource.RLIMIT_FSIZE, (512, resource.RLIM_INFINITY))
        watch.wait_for_narration("readings and notes are not on disk.", times=2)
        watch.wait_for_more(10)
        code = watch.end(signal.SIGINT)

    lost = re.search(
        r": (\d+) readings and notes are not in it, nor anywhere else", watch.narration
    )
    assert code == 130, watch.narration
    assert lost is not None, watch.narration
    assert "Traceback" not in watch.narration
    numbers = [
        int(count) for count in re.findall(r"(\d+) readings and notes are not on", watch.narration)
    ]
    assert all(later >= 2 * earlier for earlier, later in pairwise(numbers))
    found = kept(path)
    assert len([value for value in watch.shown if value not in found]) == int(lost[1])
    assert not list(tmp_path.rglob("*left*"))
