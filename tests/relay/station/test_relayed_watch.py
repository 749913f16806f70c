"""The command as a person types it: a watch with --relay, with and without a keeper."""

import json
import os
import signal
from collections import Counter
from pathlib import Path

import pytest
from load_kit import LONGEST_WAIT_S, wait_until
from program_kit import run_program, start_program
from server_kit import broker, database

WATCH = ("watch", "--sim", "station", "--seed", "5", "--json", "--count", "8")


def home(folder: Path) -> dict[str, str]:
    """Return variables by which a program keeps everything in `folder`."""
    return {"XDG_DATA_HOME": str(folder), "XDG_STATE_HOME": str(folder)}


def counts(printed: str) -> dict[str, int]:
    """Count the lines of each kind; gaps, which a busy computer makes, are left out."""
    kinds = Counter(json.loads(line)["kind"] for line in printed.splitlines())
    return {kind: count for kind, count in kinds.items() if kind != "gap"}


def test_a_watch_leaves_nothing_unsent_while_the_keeper_answers(tmp_path: Path) -> None:
    """Readings, the end of the run and the entries of its visit are in the record at the end."""
    with broker(tmp_path) as server, database() as made:
        address = f"mqtt://127.0.0.1:{server.port}"
        assert run_program("keep", made.url, "--init").returncode == 0
        keeper = start_program("keep", made.url, "--broker", address)
        try:
            ended = run_program(
                *WATCH, "--relay", address, "--station", "tide-007", **home(tmp_path / "home")
            )
            with made.connect() as record:
                runs = record.execute(
                    "SELECT station, counter, ended_utc_s IS NOT NULL FROM benchwatch.runs"
                ).fetchall()
                readings = record.execute("SELECT count(*) FROM benchwatch.readings").fetchone()
        finally:
            keeper.send_signal(signal.SIGINT)
            keeper.communicate(timeout=LONGEST_WAIT_S)

    assert ended.returncode == 0, ended.stderr
    assert f"sent to the central record by {address}, as station tide-007" in ended.stderr
    assert "not in the central record" not in ended.stderr
    assert runs == [("tide-007", "main", True)]
    assert readings == (8,)


def test_a_watch_without_a_broker_ends_as_it_would_and_says_so(tmp_path: Path) -> None:
    """The lines, the exit code and the journal are those of a watch that sends nothing."""
    options = ("--relay", "mqtt://127.0.0.1:1", "--station", "tide-007")
    ended = run_program(*WATCH, *options, **home(tmp_path / "sent"))
    alone = run_program(*WATCH, **home(tmp_path / "alone"))

    assert (ended.returncode, alone.returncode) == (0, 0)
    assert counts(ended.stdout) == counts(alone.stdout) == {"reading": 8, "end": 1}
    assert "are not in the central record yet; they are sent by the next watch" in ended.stderr
    assert "The reason: the broker is away" in ended.stderr
    assert "central record" not in alone.stderr


@pytest.mark.skipif(os.name == "nt", reason="a signal is sent")
def test_an_interrupt_while_the_broker_is_away_ends_at_once(tmp_path: Path) -> None:
    """Ctrl-C needs no patience with another machine."""
    words = ("watch", "--sim", "station", "--json", "--relay", "mqtt://127.0.0.1:1")
    watch = start_program(*words, "--station", "tide-007", **home(tmp_path))
    assert watch.stdout is not None
    assert wait_until(lambda: watch.stdout and watch.stdout.readline())
    watch.send_signal(signal.SIGINT)
    _, errors = watch.communicate(timeout=LONGEST_WAIT_S)

    assert watch.returncode == 130
    assert "Traceback" not in errors
